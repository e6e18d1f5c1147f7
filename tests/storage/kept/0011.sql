-- Schema 0011 with a few invented rows, made by make.py.
BEGIN TRANSACTION;
CREATE TABLE account (
	id INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	role TEXT NOT NULL, 
	password_hash TEXT, 
	created_ms BIGINT NOT NULL, 
	disabled_ms BIGINT, 
	CONSTRAINT pk_account PRIMARY KEY (id), 
	CONSTRAINT uq_account_name UNIQUE (name)
);
INSERT INTO "account" VALUES(1,'r.hale','supervisor','no password has this hash',1773022200000,NULL);
CREATE TABLE adjustment (
	id INTEGER NOT NULL, 
	point_id INTEGER NOT NULL, 
	from_ms BIGINT NOT NULL, 
	to_ms BIGINT NOT NULL, 
	amount TEXT NOT NULL, 
	unit TEXT NOT NULL, 
	reason TEXT NOT NULL, 
	at_ms BIGINT NOT NULL, 
	actor TEXT NOT NULL, 
	reverses_id INTEGER, 
	CONSTRAINT pk_adjustment PRIMARY KEY (id), 
	CONSTRAINT fk_adjustment_point_id FOREIGN KEY(point_id) REFERENCES point (id), 
	CONSTRAINT uq_adjustment_reverses_id UNIQUE (reverses_id)
);
INSERT INTO "adjustment" VALUES(1,2,1772928000000,1772931600000,'3/2','gal','Bypass open',1773022200000,'r.hale',NULL);
INSERT INTO "adjustment" VALUES(2,2,1772928000000,1772931600000,'-3/2','gal','Wrong meter',1773022200000,'r.hale',1);
CREATE TABLE alarm (
	id INTEGER NOT NULL, 
	"key" TEXT NOT NULL, 
	gateway_id INTEGER, 
	site_id INTEGER, 
	point_id INTEGER, 
	kind TEXT NOT NULL, 
	priority TEXT NOT NULL, 
	params TEXT NOT NULL, 
	rationale TEXT NOT NULL, 
	consequence TEXT NOT NULL, 
	response TEXT NOT NULL, 
	on_delay_ms BIGINT NOT NULL, 
	off_delay_ms BIGINT NOT NULL, 
	deadband DOUBLE NOT NULL, 
	first_up_group TEXT NOT NULL, 
	latched SMALLINT NOT NULL, 
	entered_ms BIGINT NOT NULL, 
	retired_ms BIGINT, 
	CONSTRAINT pk_alarm PRIMARY KEY (id), 
	CONSTRAINT fk_alarm_gateway_id FOREIGN KEY(gateway_id) REFERENCES gateway (id), 
	CONSTRAINT fk_alarm_site_id FOREIGN KEY(site_id) REFERENCES site (id), 
	CONSTRAINT fk_alarm_point_id FOREIGN KEY(point_id) REFERENCES point (id)
);
INSERT INTO "alarm" VALUES(1,'heron-gate/LVL/high',NULL,1,1,'high','high','{"call_when":"","limit":2.8}','The gate overflows above it.','Water runs over.','Open the gate.',60000,60000,0.1,'',0,1772928000000,NULL);
CREATE TABLE alarm_journal (
	id INTEGER NOT NULL, 
	at_ms BIGINT NOT NULL, 
	alarm_id INTEGER NOT NULL, 
	event TEXT NOT NULL, 
	from_state TEXT NOT NULL, 
	to_state TEXT NOT NULL, 
	value TEXT NOT NULL, 
	actor TEXT NOT NULL, 
	note TEXT NOT NULL, 
	CONSTRAINT pk_alarm_journal PRIMARY KEY (id), 
	CONSTRAINT fk_alarm_journal_alarm_id FOREIGN KEY(alarm_id) REFERENCES alarm (id)
);
INSERT INTO "alarm_journal" VALUES(1,1773022200000,1,'raised','normal','unacknowledged','2.84 m','','');
CREATE TABLE alarm_state (
	alarm_id INTEGER NOT NULL, 
	seq BIGINT NOT NULL, 
	state TEXT NOT NULL, 
	condition TEXT NOT NULL, 
	raised_ms BIGINT, 
	cleared_ms BIGINT, 
	acked_ms BIGINT, 
	acked_by TEXT NOT NULL, 
	pending_ms BIGINT, 
	pending_n INTEGER NOT NULL, 
	seen_ms BIGINT, 
	value TEXT NOT NULL, 
	shelved_until_ms BIGINT, 
	shelved_by TEXT NOT NULL, 
	shelved_why TEXT NOT NULL, 
	suppressed_by TEXT NOT NULL, 
	out_of_service TEXT NOT NULL, 
	first SMALLINT NOT NULL, 
	detail TEXT NOT NULL, 
	CONSTRAINT pk_alarm_state PRIMARY KEY (alarm_id), 
	CONSTRAINT fk_alarm_state_alarm_id FOREIGN KEY(alarm_id) REFERENCES alarm (id)
);
INSERT INTO "alarm_state" VALUES(1,28,'unacknowledged','abnormal',1773022200000,NULL,NULL,'',NULL,0,1773022200000,'2.84 m',NULL,'','','','',0,'{}');
CREATE TABLE audit (
	id INTEGER NOT NULL, 
	at_ms BIGINT NOT NULL, 
	actor TEXT NOT NULL, 
	account_id INTEGER, 
	address TEXT NOT NULL, 
	action TEXT NOT NULL, 
	subject_kind TEXT NOT NULL, 
	subject_key TEXT NOT NULL, 
	"before" TEXT, 
	"after" TEXT, 
	sentence TEXT NOT NULL, 
	CONSTRAINT pk_audit PRIMARY KEY (id)
);
INSERT INTO "audit" VALUES(1,1773022200000,'r.hale',1,'192.0.2.1','token.make','token','report',NULL,'{"days":3,"role":"viewer"}','r.hale made the token report as viewer, for 3 days.');
CREATE TABLE balance_group (
	id INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	body TEXT NOT NULL, 
	at_ms BIGINT NOT NULL, 
	actor TEXT NOT NULL, 
	retired_ms BIGINT, 
	CONSTRAINT pk_balance_group PRIMARY KEY (id)
);
INSERT INTO "balance_group" VALUES(1,'Canal','{"inflows":[2],"meter_error":0.02,"outflows":[],"storages":[{"areas_m2":[100.0,300.0],"error_m":0.01,"levels_m":[0.0,2.0],"site_id":1,"tag":"LVL"}]}',1773022200000,'r.hale',NULL);
CREATE TABLE change (
	seq INTEGER NOT NULL, 
	at_ms BIGINT NOT NULL, 
	kind TEXT NOT NULL, 
	"key" TEXT NOT NULL, 
	CONSTRAINT pk_change PRIMARY KEY (seq)
);
INSERT INTO "change" VALUES(2,1772953200000,'network','2');
INSERT INTO "change" VALUES(4,1773022140000,'episode','1');
INSERT INTO "change" VALUES(5,1773022200000,'note','1');
INSERT INTO "change" VALUES(6,1773022200000,'note','2');
INSERT INTO "change" VALUES(7,1773022200000,'job','1');
INSERT INTO "change" VALUES(8,1773022200001,'job','1');
INSERT INTO "change" VALUES(9,1773022200000,'handover','1');
INSERT INTO "change" VALUES(10,1773022200000,'finding','');
INSERT INTO "change" VALUES(11,1773022200000,'finding-word','1');
INSERT INTO "change" VALUES(12,1773022200000,'people','r.hale');
INSERT INTO "change" VALUES(13,1773022200000,'people','1');
INSERT INTO "change" VALUES(14,1773022200000,'people','report');
INSERT INTO "change" VALUES(16,1773022200000,'part','1');
INSERT INTO "change" VALUES(18,1773022200000,'task','1');
INSERT INTO "change" VALUES(19,1773022200000,'task','1');
INSERT INTO "change" VALUES(20,1773022200000,'hand-reading','1');
INSERT INTO "change" VALUES(21,1773022200000,'count-event','1');
INSERT INTO "change" VALUES(28,1773022200000,'alarm','');
INSERT INTO "change" VALUES(29,1773022200000,'order','first');
INSERT INTO "change" VALUES(30,1773022200001,'order','1');
INSERT INTO "change" VALUES(31,1773022200009,'order','1');
INSERT INTO "change" VALUES(32,1773022200000,'tag-out','1');
INSERT INTO "change" VALUES(33,1773022200000,'order','second');
INSERT INTO "change" VALUES(34,1773022200001,'order','2');
INSERT INTO "change" VALUES(35,1773022200001,'order','2');
INSERT INTO "change" VALUES(36,1773022200000,'tag-out','2');
INSERT INTO "change" VALUES(37,1773022200020,'tag-out','2');
INSERT INTO "change" VALUES(39,1773022200000,'message','1');
INSERT INTO "change" VALUES(40,1773022200800,'message','1');
INSERT INTO "change" VALUES(41,1773022200000,'k-factor','2');
INSERT INTO "change" VALUES(42,1773022200000,'adjustment','1');
INSERT INTO "change" VALUES(43,1773022200000,'adjustment','2');
INSERT INTO "change" VALUES(44,1773022200000,'month-close','2 2026-03');
INSERT INTO "change" VALUES(45,1773022200000,'index-reading','1');
INSERT INTO "change" VALUES(46,1773022200000,'permit','1');
INSERT INTO "change" VALUES(47,1773022200000,'balance','1');
CREATE TABLE chunk (
	site_id INTEGER NOT NULL, 
	start_ms BIGINT NOT NULL, 
	span SMALLINT NOT NULL, 
	layout_id INTEGER NOT NULL, 
	format SMALLINT NOT NULL, 
	n INTEGER NOT NULL, 
	first_ms BIGINT NOT NULL, 
	last_ms BIGINT NOT NULL, 
	body BLOB NOT NULL, 
	CONSTRAINT pk_chunk PRIMARY KEY (site_id, start_ms, span, layout_id)
);
INSERT INTO "chunk" VALUES(1,1773014400000,1,3,2,12,1773014400000,1773017700187,X'020C03010302000280F0A5FE9967E2CF24046340000001000A636060620002461001000000010209636060620002300100010007636767608701000000000002C00C08080B6367880D83400001000A6360646460002210060003A0D20192020B6310146280014646180B00000203B096053E0763B0B563800200038085020407636066618002000000');
INSERT INTO "chunk" VALUES(1,1772928000000,24,1,2,24,1772946000000,1772952900187,X'021803010302000280A288BD9967E2CF240C634080E90C5801230302000001000B636200024610C184C20200000001020863620002264C0200010008636087010614160000000000029E0D000D63088D8340068E56382B340E0001000C6364646060006346280DC100038AC10192020F1364800241216416238CC388C20200000203B6A8043E09B36580025B3B64160003B485020411636660B06700016616062860B6666000000000');
INSERT INTO "chunk" VALUES(1,1772928000000,24,3,2,12,1772956800000,1772960100187,X'020C03010302000280D0AEC79967E2CF24046340000001000B6300022606206064600000000001020963606060606280100001000863070206760800000000000002C00C080A0B8B0D6367880D034100010008636064606080620003808C0292020D63606010146280014646080D00000203B0B9043E09636060B0B5630003000380850204096360606066610003000000');
INSERT INTO "chunk" VALUES(2,1772928000000,24,2,2,12,1772949600000,1772952900187,X'020C020103000280DCBFC09967E2CF24046340000001000B6360606064000226200600000001020963606060626080100001000863860206666666000000000002C00C080A0B8B0D03417686D83000010008636064606080620003D0D80192020D63800041210618606464600000000203E0AD043E086380005B3B060600');
CREATE TABLE comm_day (
	site_id INTEGER NOT NULL, 
	day_ms BIGINT NOT NULL, 
	end_ms BIGINT NOT NULL, 
	asked INTEGER NOT NULL, 
	first_try INTEGER NOT NULL, 
	retried INTEGER NOT NULL, 
	no_answer INTEGER NOT NULL, 
	garbled INTEGER NOT NULL, 
	refused INTEGER NOT NULL, 
	gateway_lost INTEGER NOT NULL, 
	maintenance_ms INTEGER NOT NULL, 
	hours BLOB NOT NULL, 
	answers BLOB NOT NULL, 
	codes TEXT NOT NULL, runs BLOB, 
	CONSTRAINT pk_comm_day PRIMARY KEY (site_id, day_ms)
)
 WITHOUT ROWID

;
INSERT INTO "comm_day" VALUES(1,1772928000000,1773014400000,36,29,3,4,0,0,0,0,X'0000000000000000000000000000000000000000000000000000000000000C00090002000C000A0001000000000000000C000A000100000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000',X'192000','{}',X'04000180A812015BCFE90180A8120180A81201FFFFFFFF713C170101000000');
INSERT INTO "comm_day" VALUES(2,1772928000000,1773014400000,12,10,1,1,0,0,0,0,X'0000000000000000000000000000000000000000000000000000000000000000000000000C000A000100000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000',X'190B00','{}',X'010000009749015BF27B01');
CREATE TABLE comm_hour (
	site_id INTEGER NOT NULL, 
	hour_ms BIGINT NOT NULL, 
	asked INTEGER NOT NULL, 
	first_try INTEGER NOT NULL, 
	retried INTEGER NOT NULL, 
	no_answer INTEGER NOT NULL, 
	garbled INTEGER NOT NULL, 
	refused INTEGER NOT NULL, 
	gateway_lost INTEGER NOT NULL, 
	maintenance_ms INTEGER NOT NULL, 
	quarters BLOB NOT NULL, 
	answers BLOB NOT NULL, 
	codes TEXT NOT NULL, runs BLOB, 
	CONSTRAINT pk_comm_hour PRIMARY KEY (site_id, hour_ms)
)
 WITHOUT ROWID

;
INSERT INTO "comm_hour" VALUES(1,1772946000000,12,9,1,2,0,0,0,0,X'020000000100000000000000020001000000000000000000030000000000000000000000020000000100000000000000',X'190A00','{}',X'020001000000005B5B32000000000000000000FFFFFFFFF193040001000000');
INSERT INTO "comm_hour" VALUES(1,1772949600000,12,10,1,1,0,0,0,0,X'030000000000000000000000020001000000000000000000020000000100000000000000030000000000000000000000',X'190B00','{}',X'010000000000005B5B3200');
INSERT INTO "comm_hour" VALUES(1,1772956800000,12,10,1,1,0,0,0,0,X'030000000000000000000000020000000100000000000000030000000000000000000000020001000000000000000000',X'190B00','{}',X'010000000000005B5B3200');
INSERT INTO "comm_hour" VALUES(1,1773014400000,12,10,1,1,0,0,0,0,X'020000000100000000000000030000000000000000000000020001000000000000000000030000000000000000000000',X'190B00','{}',X'010000000000005B5B3200');
INSERT INTO "comm_hour" VALUES(2,1772949600000,12,10,1,1,0,0,0,0,X'030000000000000000000000020001000000000000000000020000000100000000000000030000000000000000000000',X'190B00','{}',X'010000000000005B5B3200');
CREATE TABLE contact (
	id INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	way TEXT NOT NULL, 
	address TEXT NOT NULL, 
	secret TEXT NOT NULL, 
	priorities TEXT NOT NULL, 
	areas TEXT NOT NULL, 
	level SMALLINT NOT NULL, 
	digest SMALLINT NOT NULL, 
	account_id INTEGER, 
	made_ms BIGINT NOT NULL, 
	retired_ms BIGINT, 
	CONSTRAINT pk_contact PRIMARY KEY (id)
);
INSERT INTO "contact" VALUES(1,'r.hale','mail','r.hale@example.org','','["urgent","high"]','[]',1,1,NULL,1772928000000,NULL);
CREATE TABLE count_event (
	id INTEGER NOT NULL, 
	point_id INTEGER NOT NULL, 
	at_ms BIGINT NOT NULL, 
	kind TEXT NOT NULL, 
	"before" DOUBLE, 
	"after" DOUBLE, 
	unknown DOUBLE, 
	source TEXT NOT NULL, 
	actor TEXT NOT NULL, 
	CONSTRAINT pk_count_event PRIMARY KEY (id), 
	CONSTRAINT fk_count_event_point_id FOREIGN KEY(point_id) REFERENCES point (id), 
	CONSTRAINT uq_count_event_point_id UNIQUE (point_id, at_ms, kind)
);
INSERT INTO "count_event" VALUES(1,2,1773022200000,'replaced',48112.0,7.0,NULL,'record','local');
CREATE TABLE dirty (
	kind TEXT NOT NULL, 
	key_id INTEGER NOT NULL, 
	start_ms BIGINT NOT NULL, 
	CONSTRAINT pk_dirty PRIMARY KEY (kind, key_id, start_ms)
)
 WITHOUT ROWID

;
INSERT INTO "dirty" VALUES('day',1,1773014400000);
INSERT INTO "dirty" VALUES('hour',1,1772928000000);
INSERT INTO "dirty" VALUES('pack',1,1773014400000);
INSERT INTO "dirty" VALUES('volume',1,1772928000000);
INSERT INTO "dirty" VALUES('volume',1,1772946000000);
INSERT INTO "dirty" VALUES('volume',1,1772949600000);
INSERT INTO "dirty" VALUES('volume',1,1772956800000);
INSERT INTO "dirty" VALUES('volume',1,1773014400000);
INSERT INTO "dirty" VALUES('volume',1,1773018000000);
INSERT INTO "dirty" VALUES('volume',1,1773021600000);
INSERT INTO "dirty" VALUES('volume',2,1772949600000);
CREATE TABLE draft (
	id INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	name TEXT NOT NULL, 
	made_ms BIGINT NOT NULL, 
	actor TEXT NOT NULL, 
	account_id INTEGER, 
	revision_id INTEGER NOT NULL, 
	body TEXT NOT NULL, 
	ended_ms BIGINT, 
	CONSTRAINT pk_draft PRIMARY KEY (id)
);
INSERT INTO "draft" VALUES(1,'tables','sites.csv',1773022200000,'local',NULL,2,'{"rows":[]}',NULL);
CREATE TABLE episode (
	id INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	gateway_id INTEGER, 
	site_id INTEGER, 
	from_ms BIGINT NOT NULL, 
	to_ms BIGINT, 
	planned_end_ms BIGINT, 
	reason TEXT NOT NULL, 
	actor TEXT NOT NULL, 
	detail TEXT NOT NULL, 
	CONSTRAINT pk_episode PRIMARY KEY (id)
);
INSERT INTO "episode" VALUES(1,'maintenance',NULL,2,1773022140000,NULL,1773022260000,'Fuse changed','local','{}');
CREATE TABLE finding (
	id INTEGER NOT NULL, 
	site_id INTEGER, 
	gateway_id INTEGER NOT NULL, 
	cause TEXT NOT NULL, 
	tag TEXT NOT NULL, 
	title TEXT NOT NULL, 
	since_ms BIGINT NOT NULL, 
	named_ms BIGINT NOT NULL, 
	last_ms BIGINT NOT NULL, 
	until_ms BIGINT, 
	rank INTEGER NOT NULL, 
	confidence SMALLINT NOT NULL, 
	evidence TEXT NOT NULL, 
	shared TEXT NOT NULL, 
	judged_ms BIGINT NOT NULL, 
	CONSTRAINT pk_finding PRIMARY KEY (id), 
	CONSTRAINT fk_finding_site_id FOREIGN KEY(site_id) REFERENCES site (id), 
	CONSTRAINT fk_finding_gateway_id FOREIGN KEY(gateway_id) REFERENCES gateway (id)
);
INSERT INTO "finding" VALUES(1,1,1,'antenna','','Antenna or connector',1772928000000,1773022200000,1773022200000,NULL,0,1,'{"about":"contact","advice":{"text":"Bring both.","values":[]},"bring":[],"cause":"antenna","cautions":[],"chart":{"from_ms":1772928000000,"levels":[],"marks":[],"shown":"signal","tags":[],"to_ms":null},"decides":{"text":"Reflected power at the radio.","values":[]},"desk":[],"explains":[],"gateway_id":1,"rests_on":[],"rivals":[],"says":{"text":"signal fell 19 dB at {}","values":[{"at":1772928000000}]},"score":5.0,"since_ms":1772928000000,"site_ids":[1],"tag":"","title":"Antenna or connector","touched":[]}','[]',1773022200000);
CREATE TABLE finding_word (
	id INTEGER NOT NULL, 
	finding_id INTEGER NOT NULL, 
	at_ms BIGINT NOT NULL, 
	actor TEXT NOT NULL, 
	verdict TEXT NOT NULL, 
	cause_found TEXT NOT NULL, 
	text TEXT NOT NULL, 
	CONSTRAINT pk_finding_word PRIMARY KEY (id), 
	CONSTRAINT fk_finding_word_finding_id FOREIGN KEY(finding_id) REFERENCES finding (id)
);
INSERT INTO "finding_word" VALUES(1,1,1773022200000,'local','confirmed','connector','');
CREATE TABLE gateway (
	id INTEGER NOT NULL, 
	"key" TEXT NOT NULL, 
	rank INTEGER NOT NULL, 
	body TEXT NOT NULL, 
	retired_ms BIGINT, 
	CONSTRAINT pk_gateway PRIMARY KEY (id), 
	CONSTRAINT uq_gateway_key UNIQUE ("key")
);
INSERT INTO "gateway" VALUES(1,'ridge',0,'{"address":"127.0.0.1:5020","key":"ridge","name":"Ridge mast","transport":"rtu-over-tcp"}',NULL);
CREATE TABLE gateway_state (
	gateway_id INTEGER NOT NULL, 
	seq BIGINT NOT NULL, 
	state SMALLINT NOT NULL, 
	since_ms BIGINT NOT NULL, 
	cycle_s DOUBLE, 
	airtime_used DOUBLE, 
	exchanges BIGINT NOT NULL, 
	lateness_s DOUBLE NOT NULL, 
	quarantine_s DOUBLE NOT NULL, 
	busy_s TEXT NOT NULL, 
	sentence TEXT NOT NULL, 
	holds_s DOUBLE, 
	worker_id INTEGER, 
	CONSTRAINT pk_gateway_state PRIMARY KEY (gateway_id)
);
INSERT INTO "gateway_state" VALUES(1,3,1,1772928000000,6.25,NULL,0,0.0,0.0,'{"cost_s":null,"cycle_day_s":null,"even_s":null,"load":null,"purposes":{"poll":12.5},"sites":{},"strangers":0}','',NULL,NULL);
CREATE TABLE hand_reading (
	id INTEGER NOT NULL, 
	site_id INTEGER NOT NULL, 
	tag TEXT NOT NULL, 
	at_ms BIGINT NOT NULL, 
	hand DOUBLE NOT NULL, 
	shown DOUBLE NOT NULL, 
	shown_ms BIGINT, 
	offset_before DOUBLE NOT NULL, 
	offset_after DOUBLE NOT NULL, 
	revision_id INTEGER, 
	actor TEXT NOT NULL, 
	note TEXT NOT NULL, 
	CONSTRAINT pk_hand_reading PRIMARY KEY (id), 
	CONSTRAINT fk_hand_reading_site_id FOREIGN KEY(site_id) REFERENCES site (id)
);
INSERT INTO "hand_reading" VALUES(1,1,'BATT',1773022200000,12.96,12.84,1773022195000,0.0,-0.12,2,'local','');
CREATE TABLE handover (
	id INTEGER NOT NULL, 
	at_ms BIGINT NOT NULL, 
	actor TEXT NOT NULL, 
	text TEXT NOT NULL, 
	CONSTRAINT pk_handover PRIMARY KEY (id)
);
INSERT INTO "handover" VALUES(1,1773022200000,'local','Fuses are in the blue van.');
CREATE TABLE index_reading (
	id INTEGER NOT NULL, 
	point_id INTEGER NOT NULL, 
	read_ms BIGINT NOT NULL, 
	shows TEXT NOT NULL, 
	unit TEXT NOT NULL, 
	begins SMALLINT NOT NULL, 
	at_ms BIGINT NOT NULL, 
	actor TEXT NOT NULL, 
	note TEXT NOT NULL, 
	CONSTRAINT pk_index_reading PRIMARY KEY (id), 
	CONSTRAINT fk_index_reading_point_id FOREIGN KEY(point_id) REFERENCES point (id)
);
INSERT INTO "index_reading" VALUES(1,2,1772928000000,'2401/2','gal',1,1773022200000,'r.hale','Glass clouded');
CREATE TABLE job (
	id INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	gateway_id INTEGER, 
	site_id INTEGER, 
	params TEXT NOT NULL, 
	state TEXT NOT NULL, 
	progress DOUBLE NOT NULL, 
	result TEXT NOT NULL, 
	actor TEXT NOT NULL, 
	asked_ms BIGINT NOT NULL, 
	done_ms BIGINT, 
	worker_id INTEGER, stop_ms BIGINT, 
	CONSTRAINT pk_job PRIMARY KEY (id)
);
INSERT INTO "job" VALUES(1,'poll',NULL,1,'{}','done',1.0,'Answered.','local',1773022200000,1773022200001,NULL,NULL);
CREATE TABLE job_row (
	job_id INTEGER NOT NULL, 
	n INTEGER NOT NULL, 
	body TEXT NOT NULL, 
	CONSTRAINT pk_job_row PRIMARY KEY (job_id, n)
)
 WITHOUT ROWID

;
INSERT INTO "job_row" VALUES(1,0,'{"heard":"answer","unit":3}');
CREATE TABLE k_factor (
	point_id INTEGER NOT NULL, 
	from_ms BIGINT NOT NULL, 
	per_pulse TEXT NOT NULL, 
	unit TEXT NOT NULL, 
	at_ms BIGINT NOT NULL, 
	actor TEXT NOT NULL, 
	note TEXT NOT NULL, 
	CONSTRAINT pk_k_factor PRIMARY KEY (point_id, from_ms), 
	CONSTRAINT fk_k_factor_point_id FOREIGN KEY(point_id) REFERENCES point (id)
)
 WITHOUT ROWID

;
INSERT INTO "k_factor" VALUES(2,1772928000000,'1/450','US gal',1773022200000,'r.hale','Certificate');
CREATE TABLE layout (
	id INTEGER NOT NULL, 
	site_id INTEGER NOT NULL, 
	from_ms BIGINT NOT NULL, 
	digest TEXT NOT NULL, 
	body TEXT NOT NULL, 
	CONSTRAINT pk_layout PRIMARY KEY (id), 
	CONSTRAINT fk_layout_site_id FOREIGN KEY(site_id) REFERENCES site (id), 
	CONSTRAINT uq_layout_site_id_digest UNIQUE (site_id, digest)
);
INSERT INTO "layout" VALUES(1,1,1772928000000,'5cfc645c196794a4264a0e7413f8f46c','{"blocks":[{"class":"fast","count":1,"start":0,"table":"discrete"},{"class":"fast","count":3,"start":4,"table":"input"},{"class":"fast","count":2,"start":10,"table":"input"}],"points":[{"bit":null,"block":1,"byte_order":"high-first","kind":"analog-input","layout":"uint16","length":1,"loop":"4-20mA","offset":0,"point_id":1,"raw":[4000.0,20000.0],"tag":"LVL","unit":"m","value":[0.0,5.0],"word_order":"high-first"},{"bit":null,"block":1,"byte_order":"high-first","kind":"totalizer","layout":"uint32","length":2,"loop":null,"offset":1,"point_id":2,"raw":null,"tag":"TOT","unit":"","value":null,"word_order":"high-first"},{"bit":null,"block":0,"byte_order":"high-first","kind":"discrete-input","layout":"bool","length":1,"loop":null,"offset":0,"point_id":3,"raw":null,"tag":"DOOR","unit":"","value":null,"word_order":"high-first"},{"bit":null,"block":2,"byte_order":"high-first","kind":"analog-input","layout":"float32","length":2,"loop":null,"offset":0,"point_id":4,"raw":null,"tag":"BATT","unit":"V","value":null,"word_order":"high-first"}]}');
INSERT INTO "layout" VALUES(2,2,1772928000000,'69ef7de462112525119432cc99e6239a','{"blocks":[{"class":"fast","count":1,"start":0,"table":"discrete"},{"class":"fast","count":3,"start":4,"table":"input"}],"points":[{"bit":null,"block":1,"byte_order":"high-first","kind":"analog-input","layout":"uint16","length":1,"loop":"4-20mA","offset":0,"point_id":5,"raw":[4000.0,20000.0],"tag":"LVL","unit":"m","value":[0.0,5.0],"word_order":"high-first"},{"bit":null,"block":1,"byte_order":"high-first","kind":"totalizer","layout":"uint32","length":2,"loop":null,"offset":1,"point_id":6,"raw":null,"tag":"TOT","unit":"","value":null,"word_order":"high-first"},{"bit":null,"block":0,"byte_order":"high-first","kind":"discrete-input","layout":"bool","length":1,"loop":null,"offset":0,"point_id":7,"raw":null,"tag":"DOOR","unit":"","value":null,"word_order":"high-first"}]}');
INSERT INTO "layout" VALUES(3,1,1772953200000,'d632866687ee8f884ea7b026232505ac','{"blocks":[{"class":"fast","count":1,"start":0,"table":"discrete"},{"class":"fast","count":3,"start":4,"table":"input"},{"class":"fast","count":2,"start":10,"table":"input"}],"points":[{"bit":null,"block":1,"byte_order":"high-first","kind":"analog-input","layout":"uint16","length":1,"loop":"4-20mA","offset":0,"point_id":1,"raw":[4000.0,20000.0],"tag":"LVL","unit":"m","value":[0.0,3.5],"word_order":"high-first"},{"bit":null,"block":1,"byte_order":"high-first","kind":"totalizer","layout":"uint32","length":2,"loop":null,"offset":1,"point_id":2,"raw":null,"tag":"TOT","unit":"","value":null,"word_order":"high-first"},{"bit":null,"block":0,"byte_order":"high-first","kind":"discrete-input","layout":"bool","length":1,"loop":null,"offset":0,"point_id":3,"raw":null,"tag":"DOOR","unit":"","value":null,"word_order":"high-first"},{"bit":null,"block":2,"byte_order":"high-first","kind":"analog-input","layout":"float32","length":2,"loop":null,"offset":0,"point_id":4,"raw":null,"tag":"BATT","unit":"V","value":null,"word_order":"high-first"}]}');
INSERT INTO "layout" VALUES(4,2,1772953200000,'2f293c2c71976fb40035b5c8cd495012','{"blocks":[{"class":"fast","count":1,"start":0,"table":"discrete"},{"class":"fast","count":3,"start":4,"table":"input"}],"points":[{"bit":null,"block":1,"byte_order":"high-first","kind":"analog-input","layout":"uint16","length":1,"loop":"4-20mA","offset":0,"point_id":5,"raw":[4000.0,20000.0],"tag":"LVL","unit":"m","value":[0.0,3.5],"word_order":"high-first"},{"bit":null,"block":1,"byte_order":"high-first","kind":"totalizer","layout":"uint32","length":2,"loop":null,"offset":1,"point_id":6,"raw":null,"tag":"TOT","unit":"","value":null,"word_order":"high-first"},{"bit":null,"block":0,"byte_order":"high-first","kind":"discrete-input","layout":"bool","length":1,"loop":null,"offset":0,"point_id":7,"raw":null,"tag":"DOOR","unit":"","value":null,"word_order":"high-first"}]}');
CREATE TABLE message (
	id INTEGER NOT NULL, 
	contact_id INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	priority TEXT NOT NULL, 
	subject TEXT NOT NULL, 
	body TEXT NOT NULL, 
	alarms TEXT NOT NULL, 
	made_ms BIGINT NOT NULL, 
	state TEXT NOT NULL, 
	tries INTEGER NOT NULL, 
	due_ms BIGINT NOT NULL, 
	done_ms BIGINT, 
	CONSTRAINT pk_message PRIMARY KEY (id), 
	CONSTRAINT fk_message_contact_id FOREIGN KEY(contact_id) REFERENCES contact (id)
);
INSERT INTO "message" VALUES(1,1,'alarm','high','High: Level high, 2.84 m','Open the gate.
','[["heron-gate/LVL/high",1773022200000]]',1773022200000,'handed',1,1773022200800,1773022200800);
CREATE TABLE message_try (
	message_id INTEGER NOT NULL, 
	n INTEGER NOT NULL, 
	at_ms BIGINT NOT NULL, 
	outcome TEXT NOT NULL, 
	said TEXT NOT NULL, 
	CONSTRAINT pk_message_try PRIMARY KEY (message_id, n), 
	CONSTRAINT fk_message_try_message_id FOREIGN KEY(message_id) REFERENCES message (id)
)
 WITHOUT ROWID

;
INSERT INTO "message_try" VALUES(1,1,1773022200800,'handed','2.0.0 taken');
CREATE TABLE month_close (
	point_id INTEGER NOT NULL, 
	month TEXT NOT NULL, 
	version INTEGER NOT NULL, 
	at_ms BIGINT NOT NULL, 
	actor TEXT NOT NULL, 
	note TEXT NOT NULL, 
	figures TEXT NOT NULL, 
	CONSTRAINT pk_month_close PRIMARY KEY (point_id, month, version), 
	CONSTRAINT fk_month_close_point_id FOREIGN KEY(point_id) REFERENCES point (id)
)
 WITHOUT ROWID

;
INSERT INTO "month_close" VALUES(2,'2026-03',1,1773022200000,'r.hale','','{"adjusted":"1","close":null,"estimated":"2","factors":[],"known_ms":9,"open":1.0,"pulses":450.0,"span_ms":10,"unit":"gal","unknown":"3","unproven":"4","volume":"0"}');
CREATE TABLE network (
	id INTEGER NOT NULL, 
	title TEXT NOT NULL, 
	time_zone TEXT NOT NULL, 
	contract_hour SMALLINT NOT NULL, 
	contract_zone TEXT, 
	written TEXT NOT NULL, 
	revision_id INTEGER NOT NULL, 
	CONSTRAINT pk_network PRIMARY KEY (id)
);
INSERT INTO "network" VALUES(1,'Two gates, kept','UTC',0,'UTC','{"time_zone":"UTC","title":"Two gates, kept"}',2);
CREATE TABLE night (
	site_id INTEGER NOT NULL, 
	day INTEGER NOT NULL, 
	low_v DOUBLE, 
	low_ms BIGINT, 
	predawn_v DOUBLE, 
	peak_v DOUBLE, 
	peak_ms BIGINT, 
	n INTEGER NOT NULL, 
	CONSTRAINT pk_night PRIMARY KEY (site_id, day)
)
 WITHOUT ROWID

;
INSERT INTO "night" VALUES(1,20520,12.1,1772928000000,12.25,13.5,1772928000009,48);
CREATE TABLE note (
	id INTEGER NOT NULL, 
	site_id INTEGER NOT NULL, 
	at_ms BIGINT NOT NULL, 
	actor TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	text TEXT NOT NULL, 
	replaces_id INTEGER, 
	CONSTRAINT pk_note PRIMARY KEY (id), 
	CONSTRAINT fk_note_replaces_id FOREIGN KEY(replaces_id) REFERENCES note (id), 
	CONSTRAINT fk_note_site_id FOREIGN KEY(site_id) REFERENCES site (id)
);
INSERT INTO "note" VALUES(1,1,1773022200000,'local','visit','Gauge read 2.48 m',NULL);
INSERT INTO "note" VALUES(2,1,1773022200000,'local','visit','Gauge 2.84 m',1);
CREATE TABLE once (
	hash TEXT NOT NULL, 
	purpose TEXT NOT NULL, 
	subject TEXT NOT NULL, 
	account_id INTEGER, 
	ends_ms BIGINT NOT NULL, 
	used_ms BIGINT, 
	CONSTRAINT pk_once PRIMARY KEY (hash), 
	CONSTRAINT fk_once_account_id FOREIGN KEY(account_id) REFERENCES account (id)
)
 WITHOUT ROWID

;
INSERT INTO "once" VALUES('382635c9325bf3273d195ff1b8a44e5b11afd7d97addeb8863ea35feb98c1a07','first','',NULL,1773022201000,NULL);
CREATE TABLE order_step (
	order_id INTEGER NOT NULL, 
	n INTEGER NOT NULL, 
	at_ms BIGINT NOT NULL, 
	state TEXT NOT NULL, 
	detail TEXT NOT NULL, 
	CONSTRAINT pk_order_step PRIMARY KEY (order_id, n), 
	CONSTRAINT fk_order_step_order_id FOREIGN KEY(order_id) REFERENCES orders (id)
)
 WITHOUT ROWID

;
INSERT INTO "order_step" VALUES(1,0,1773022200000,'stored','Ordered by r.hale; to be sent within 30 s.');
INSERT INTO "order_step" VALUES(1,1,1773022200001,'sending','It is being sent.');
INSERT INTO "order_step" VALUES(1,2,1773022200009,'confirmed','Read back.');
INSERT INTO "order_step" VALUES(2,0,1773022200000,'stored','Ordered by r.hale; to be sent within 30 s.');
INSERT INTO "order_step" VALUES(2,1,1773022200001,'refused','Not sent: LVL has a do-not-operate tag by m.voss: Belt is off.');
CREATE TABLE orders (
	id INTEGER NOT NULL, 
	request_key TEXT NOT NULL, 
	made_ms BIGINT NOT NULL, 
	actor TEXT NOT NULL, 
	account_id INTEGER, 
	site_id INTEGER NOT NULL, 
	point_id INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	want DOUBLE, 
	duration_ms BIGINT, 
	seen TEXT NOT NULL, 
	seen_ms BIGINT, 
	state TEXT NOT NULL, 
	state_ms BIGINT NOT NULL, 
	expires_ms BIGINT NOT NULL, 
	worker TEXT NOT NULL, 
	code INTEGER NOT NULL, 
	reason TEXT NOT NULL, 
	sent_ms BIGINT, 
	readback DOUBLE, 
	readback_ms BIGINT, 
	feedback TEXT NOT NULL, 
	feedback_ms BIGINT, 
	feedback_said TEXT NOT NULL, 
	source TEXT NOT NULL, 
	CONSTRAINT pk_orders PRIMARY KEY (id), 
	CONSTRAINT fk_orders_site_id FOREIGN KEY(site_id) REFERENCES site (id), 
	CONSTRAINT fk_orders_point_id FOREIGN KEY(point_id) REFERENCES point (id), 
	CONSTRAINT uq_orders_request_key UNIQUE (request_key)
);
INSERT INTO "orders" VALUES(1,'first',1773022200000,'r.hale',1,1,1,'pulse',NULL,900000,'2.84 m',1772928000000,'confirmed',1773022200009,1773022230000,'1-abc',0,'Read back.',1773022200002,899.0,1773022200008,'',NULL,'','page');
INSERT INTO "orders" VALUES(2,'second',1773022200000,'r.hale',1,1,1,'setpoint',2.5,NULL,'2.84 m',1772928000000,'refused',1773022200001,1773022230000,'',0,'Not sent: LVL has a do-not-operate tag by m.voss: Belt is off.',NULL,NULL,NULL,'',NULL,'','page');
CREATE TABLE part (
	id INTEGER NOT NULL, 
	site_id INTEGER, 
	kind TEXT NOT NULL, 
	name TEXT NOT NULL, 
	serial TEXT NOT NULL, 
	version TEXT NOT NULL, 
	detail TEXT NOT NULL, 
	place TEXT NOT NULL, 
	from_ms BIGINT NOT NULL, 
	to_ms BIGINT, 
	note TEXT NOT NULL, 
	actor TEXT NOT NULL, 
	CONSTRAINT pk_part PRIMARY KEY (id), 
	CONSTRAINT fk_part_site_id FOREIGN KEY(site_id) REFERENCES site (id)
);
INSERT INTO "part" VALUES(1,1,'station','Gate station','MB-0001','3.1','{"ended":"sent back"}','cabinet',1772928000000,1773022200000,'','');
INSERT INTO "part" VALUES(2,NULL,'fuse','','','','{"count":20,"rating_a":3.0}','',1772928000000,NULL,'','');
CREATE TABLE permit (
	id INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	period TEXT NOT NULL, 
	amount TEXT NOT NULL, 
	unit TEXT NOT NULL, 
	points TEXT NOT NULL, 
	from_ms BIGINT NOT NULL, 
	at_ms BIGINT NOT NULL, 
	actor TEXT NOT NULL, 
	note TEXT NOT NULL, 
	retired_ms BIGINT, 
	CONSTRAINT pk_permit PRIMARY KEY (id)
);
INSERT INTO "permit" VALUES(1,'Lower canal','month','1000','m³','[2]',1772928000000,1773022200000,'r.hale','',NULL);
CREATE TABLE point (
	id INTEGER NOT NULL, 
	site_id INTEGER NOT NULL, 
	tag TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	created_ms BIGINT NOT NULL, 
	retired_ms BIGINT, 
	CONSTRAINT pk_point PRIMARY KEY (id), 
	CONSTRAINT fk_point_site_id FOREIGN KEY(site_id) REFERENCES site (id), 
	CONSTRAINT uq_point_site_id_tag UNIQUE (site_id, tag)
);
INSERT INTO "point" VALUES(1,1,'LVL','analog-input',1772928000000,NULL);
INSERT INTO "point" VALUES(2,1,'TOT','totalizer',1772928000000,NULL);
INSERT INTO "point" VALUES(3,1,'DOOR','discrete-input',1772928000000,NULL);
INSERT INTO "point" VALUES(4,1,'BATT','analog-input',1772928000000,NULL);
INSERT INTO "point" VALUES(5,2,'LVL','analog-input',1772928000000,NULL);
INSERT INTO "point" VALUES(6,2,'TOT','totalizer',1772928000000,NULL);
INSERT INTO "point" VALUES(7,2,'DOOR','discrete-input',1772928000000,NULL);
CREATE TABLE point_day (
	point_id INTEGER NOT NULL, 
	day_ms BIGINT NOT NULL, 
	layout_id INTEGER NOT NULL, 
	end_ms BIGINT NOT NULL, 
	n INTEGER NOT NULL, 
	sum DOUBLE NOT NULL, 
	min DOUBLE NOT NULL, 
	max DOUBLE NOT NULL, 
	first DOUBLE NOT NULL, 
	last DOUBLE NOT NULL, 
	changes INTEGER NOT NULL, 
	on_ms INTEGER NOT NULL, 
	CONSTRAINT pk_point_day PRIMARY KEY (point_id, day_ms, layout_id)
)
 WITHOUT ROWID

;
INSERT INTO "point_day" VALUES(1,1772928000000,1,1773014400000,21,290322.0,12357.0,15371.0,12357.0,15371.0,20,0);
INSERT INTO "point_day" VALUES(1,1772928000000,3,1773014400000,11,197166.0,17152.0,18659.0,17152.0,18659.0,10,0);
INSERT INTO "point_day" VALUES(2,1772928000000,1,1773014400000,21,2125686.0,100891.0,101573.0,100891.0,101573.0,20,0);
INSERT INTO "point_day" VALUES(2,1772928000000,3,1773014400000,11,1123658.0,101976.0,102317.0,101976.0,102317.0,10,0);
INSERT INTO "point_day" VALUES(3,1772928000000,1,1773014400000,21,6.0,0.0,1.0,1.0,0.0,11,2400136);
INSERT INTO "point_day" VALUES(3,1772928000000,3,1773014400000,11,3.0,0.0,1.0,0.0,0.0,6,900051);
INSERT INTO "point_day" VALUES(4,1772928000000,1,1773014400000,21,272.25,12.0,13.875,13.625,12.375,20,0);
INSERT INTO "point_day" VALUES(4,1772928000000,3,1773014400000,11,139.75,12.0,13.375,12.0,13.375,10,0);
INSERT INTO "point_day" VALUES(5,1772928000000,2,1773014400000,11,160450.0,13864.0,15371.0,13864.0,15371.0,10,0);
INSERT INTO "point_day" VALUES(6,1772928000000,2,1773014400000,11,1115350.0,101232.0,101573.0,101232.0,101573.0,10,0);
INSERT INTO "point_day" VALUES(7,1772928000000,2,1773014400000,11,3.0,0.0,1.0,0.0,0.0,6,900051);
CREATE TABLE point_hour (
	point_id INTEGER NOT NULL, 
	hour_ms BIGINT NOT NULL, 
	layout_id INTEGER NOT NULL, 
	n INTEGER NOT NULL, 
	sum DOUBLE NOT NULL, 
	min DOUBLE NOT NULL, 
	max DOUBLE NOT NULL, 
	first DOUBLE NOT NULL, 
	last DOUBLE NOT NULL, 
	changes INTEGER NOT NULL, 
	on_ms INTEGER NOT NULL, 
	CONSTRAINT pk_point_hour PRIMARY KEY (point_id, hour_ms, layout_id)
)
 WITHOUT ROWID

;
INSERT INTO "point_hour" VALUES(1,1773014400000,3,11,156784.0,13456.0,14963.0,13456.0,14963.0,10,0);
INSERT INTO "point_hour" VALUES(2,1773014400000,3,11,1189192.0,107928.0,108269.0,107928.0,108269.0,10,0);
INSERT INTO "point_hour" VALUES(3,1773014400000,3,11,3.0,0.0,1.0,0.0,0.0,6,1200068);
INSERT INTO "point_hour" VALUES(4,1773014400000,3,11,140.0,12.0,13.375,12.0,13.375,10,0);
CREATE TABLE point_pack (
	site_id INTEGER NOT NULL, 
	day_ms BIGINT NOT NULL, 
	body BLOB NOT NULL, 
	CONSTRAINT pk_point_pack PRIMARY KEY (site_id, day_ms)
);
INSERT INTO "point_pack" VALUES(1,1772928000000,X'01080101020020E3621211B3116160D872ACEBD896634240160818DA3130707127707371837800010301001413108B6138C6704C848181C18981BB8D9B8101000201020024E362121153E16160C85965B62A67959008031870F3313030318930313131A00066280D0002030100171310636158B56195080303033F03930C13030430033100030102001DE3621211E3656364606062626464E0E2C95AC680068E97A38BE84A0300030301001113106363606260E059C60005E53086340004010201286360A029E060703870C081E1C00110474442452D214943435B5B5B4B5343498581C1010D3030000004030101186360200954301C00420605B5440D2D0D2D15060728600000');
INSERT INTO "point_pack" VALUES(2,1772928000000,X'01030502010014E31113613816704C848181C18E813B879B8101000602010017E311E36158F56095080303031F039318130304300331000702010011E3116363606260E059C60005E530863400');
CREATE TABLE poll (
	at_ms BIGINT NOT NULL, 
	site_id INTEGER NOT NULL, 
	outcome SMALLINT NOT NULL, 
	flags SMALLINT NOT NULL, 
	tries INTEGER NOT NULL, 
	answer_ms DOUBLE, 
	layout_id INTEGER NOT NULL, 
	got BIGINT NOT NULL, 
	code SMALLINT NOT NULL, 
	words BLOB NOT NULL, 
	CONSTRAINT pk_poll PRIMARY KEY (at_ms, site_id)
)
 WITHOUT ROWID

;
INSERT INTO "poll" VALUES(1773021600000,1,0,0,1,80.0,3,7,0,X'000041680001A88041500000');
INSERT INTO "poll" VALUES(1773021600000,2,0,0,1,80.0,4,3,0,X'000041680001A880');
INSERT INTO "poll" VALUES(1773021900017,1,0,0,1,84.7,3,7,0,X'000141F10001A89F41520000');
INSERT INTO "poll" VALUES(1773021900017,2,0,0,1,84.7,4,3,0,X'000141F10001A89F');
INSERT INTO "poll" VALUES(1773022200034,1,0,0,1,80.4,3,7,0,X'0000427A0001A8BE41540000');
INSERT INTO "poll" VALUES(1773022200034,2,0,0,1,80.4,4,3,0,X'0000427A0001A8BE');
INSERT INTO "poll" VALUES(1773022500051,1,1,0,3,85.1,3,7,0,X'000043030001A8DD41560000');
INSERT INTO "poll" VALUES(1773022500051,2,1,0,3,85.1,4,3,0,X'000043030001A8DD');
INSERT INTO "poll" VALUES(1773022800068,1,0,0,1,80.8,3,7,0,X'0000438C0001A8FC41580000');
INSERT INTO "poll" VALUES(1773022800068,2,0,0,1,80.8,4,3,0,X'0000438C0001A8FC');
INSERT INTO "poll" VALUES(1773023100085,1,0,0,1,85.5,3,7,0,X'000144150001A91B415A0000');
INSERT INTO "poll" VALUES(1773023100085,2,0,0,1,85.5,4,3,0,X'000144150001A91B');
INSERT INTO "poll" VALUES(1773023400102,1,0,0,1,81.2,3,7,0,X'0000449E0001A93A415C0000');
INSERT INTO "poll" VALUES(1773023400102,2,0,0,1,81.2,4,3,0,X'0000449E0001A93A');
INSERT INTO "poll" VALUES(1773023700119,1,0,0,1,85.9,3,7,0,X'000045270001A959415E0000');
INSERT INTO "poll" VALUES(1773023700119,2,0,0,1,85.9,4,3,0,X'000045270001A959');
INSERT INTO "poll" VALUES(1773024000136,1,2,0,3,NULL,3,0,0,X'');
INSERT INTO "poll" VALUES(1773024000136,2,2,0,3,NULL,4,0,0,X'');
INSERT INTO "poll" VALUES(1773024300153,1,0,0,1,86.3,3,7,0,X'000146390001A99741420000');
INSERT INTO "poll" VALUES(1773024300153,2,0,0,1,86.3,4,3,0,X'000146390001A997');
INSERT INTO "poll" VALUES(1773024600170,1,0,0,1,82.0,3,7,0,X'000046C20001A9B641440000');
INSERT INTO "poll" VALUES(1773024600170,2,0,0,1,82.0,4,3,0,X'000046C20001A9B6');
INSERT INTO "poll" VALUES(1773024900187,1,0,0,1,86.7,3,7,0,X'0000474B0001A9D541460000');
INSERT INTO "poll" VALUES(1773024900187,2,0,0,1,86.7,4,3,0,X'0000474B0001A9D5');
CREATE TABLE profile (
	id INTEGER NOT NULL, 
	"key" TEXT NOT NULL, 
	rank INTEGER NOT NULL, 
	body TEXT NOT NULL, 
	CONSTRAINT pk_profile PRIMARY KEY (id), 
	CONSTRAINT uq_profile_key UNIQUE ("key")
);
INSERT INTO "profile" VALUES(1,'gate',0,'{"key":"gate"}');
CREATE TABLE profile_point (
	profile_id INTEGER NOT NULL, 
	tag TEXT NOT NULL, 
	rank INTEGER NOT NULL, 
	body TEXT NOT NULL, 
	CONSTRAINT pk_profile_point PRIMARY KEY (profile_id, tag), 
	CONSTRAINT fk_profile_point_profile_id FOREIGN KEY(profile_id) REFERENCES profile (id)
)
 WITHOUT ROWID

;
INSERT INTO "profile_point" VALUES(1,'DOOR',2,'{"kind":"discrete-input","register":0,"table":"discrete","tag":"DOOR"}');
INSERT INTO "profile_point" VALUES(1,'LVL',0,'{"kind":"analog-input","layout":"uint16","loop":"4-20mA","raw":[4000,20000],"register":4,"table":"input","tag":"LVL","unit":"m","value":[0.0,3.5]}');
INSERT INTO "profile_point" VALUES(1,'TOT',1,'{"kind":"totalizer","layout":"uint32","modulus":1000000,"register":5,"table":"input","tag":"TOT"}');
CREATE TABLE proof (
	id INTEGER NOT NULL, 
	site_id INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	part_id INTEGER, 
	follows_id INTEGER, 
	began_ms BIGINT NOT NULL, 
	made_ms BIGINT, 
	signed_ms BIGINT, 
	signed_name TEXT NOT NULL, 
	at_site TEXT NOT NULL, 
	at_base TEXT NOT NULL, 
	actor TEXT NOT NULL, 
	state TEXT NOT NULL, 
	versions TEXT NOT NULL, 
	detail TEXT NOT NULL, 
	note TEXT NOT NULL, 
	CONSTRAINT pk_proof PRIMARY KEY (id), 
	CONSTRAINT fk_proof_site_id FOREIGN KEY(site_id) REFERENCES site (id), 
	CONSTRAINT fk_proof_part_id FOREIGN KEY(part_id) REFERENCES part (id)
);
INSERT INTO "proof" VALUES(1,1,'commissioning',NULL,NULL,1772928000000,NULL,1772928000003,'R. Hale','R. Hale','M. Okoro','r.hale','signed','{"network":1}','{}','');
INSERT INTO "proof" VALUES(2,1,'repair',NULL,1,1772928000004,NULL,NULL,'','','','r.hale','open','{}','{}','');
CREATE TABLE proof_photo (
	id INTEGER NOT NULL, 
	proof_id INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	media TEXT NOT NULL, 
	at_ms BIGINT NOT NULL, 
	actor TEXT NOT NULL, 
	body BLOB NOT NULL, 
	CONSTRAINT pk_proof_photo PRIMARY KEY (id), 
	CONSTRAINT fk_proof_photo_proof_id FOREIGN KEY(proof_id) REFERENCES proof (id)
);
INSERT INTO "proof_photo" VALUES(1,1,'Terminals','image/png',1772928000002,'r.hale',X'89504E470D0A1A0A');
CREATE TABLE proof_step (
	proof_id INTEGER NOT NULL, 
	n INTEGER NOT NULL, 
	tag TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	phase TEXT NOT NULL, 
	applied DOUBLE, 
	expected DOUBLE, 
	shown DOUBLE, 
	shown_ms BIGINT, 
	error_pct DOUBLE, 
	tolerance_pct DOUBLE, 
	result TEXT NOT NULL, 
	meaning TEXT NOT NULL, 
	note TEXT NOT NULL, 
	at_ms BIGINT NOT NULL, 
	actor TEXT NOT NULL, 
	CONSTRAINT pk_proof_step PRIMARY KEY (proof_id, n)
)
 WITHOUT ROWID

;
INSERT INTO "proof_step" VALUES(1,1,'LVL','verdict','as-found',NULL,NULL,NULL,NULL,NULL,NULL,'pass','{"bit":null,"byte_order":"high-first","digest":"e212bd2a286e2622e31fa24771c24597","kind":"analog-input","layout":"uint16","length":1,"loop":"4-20mA","raw":[4000.0,20000.0],"register":4,"table":"input","unit":"m","value":[0.0,3.5],"word_order":"high-first"}','',1772928000001,'r.hale');
CREATE TABLE revision (
	id INTEGER NOT NULL, 
	at_ms BIGINT NOT NULL, 
	actor TEXT NOT NULL, 
	source TEXT NOT NULL, 
	undoes_id INTEGER, 
	sentence TEXT NOT NULL, 
	diff TEXT NOT NULL, 
	CONSTRAINT pk_revision PRIMARY KEY (id)
);
INSERT INTO "revision" VALUES(1,1772928000000,'local','file',NULL,'First network: 1 gateways, 2 sites.','[["","time_zone",null,"UTC"],["","title",null,"Two gates, kept"],["gateway","ridge",null,{"address":"127.0.0.1:5020","key":"ridge","name":"Ridge mast","transport":"rtu-over-tcp"}],["profile","gate",null,{"key":"gate","point":[{"kind":"analog-input","layout":"uint16","loop":"4-20mA","raw":[4000,20000],"register":4,"table":"input","tag":"LVL","unit":"m","value":[0.0,5.0]},{"kind":"totalizer","layout":"uint32","modulus":1000000,"register":5,"table":"input","tag":"TOT"},{"kind":"discrete-input","register":0,"table":"discrete","tag":"DOOR"}]}],["site","heron-gate",null,{"gateway":"ridge","key":"heron-gate","name":"Heron Gate","point":[{"kind":"analog-input","layout":"float32","register":10,"table":"input","tag":"BATT","unit":"V"}],"profile":"gate","unit":3}],["site","stone-gate",null,{"gateway":"ridge","key":"stone-gate","profile":"gate","unit":4,"via":"heron-gate"}]]');
INSERT INTO "revision" VALUES(2,1772953200000,'local','file',NULL,'Profile gate, point LVL: value was [0, 5], is [0, 3.5].','[["profile","gate",{"key":"gate","point":[{"kind":"analog-input","layout":"uint16","loop":"4-20mA","raw":[4000,20000],"register":4,"table":"input","tag":"LVL","unit":"m","value":[0.0,5.0]},{"kind":"totalizer","layout":"uint32","modulus":1000000,"register":5,"table":"input","tag":"TOT"},{"kind":"discrete-input","register":0,"table":"discrete","tag":"DOOR"}]},{"key":"gate","point":[{"kind":"analog-input","layout":"uint16","loop":"4-20mA","raw":[4000,20000],"register":4,"table":"input","tag":"LVL","unit":"m","value":[0.0,3.5]},{"kind":"totalizer","layout":"uint32","modulus":1000000,"register":5,"table":"input","tag":"TOT"},{"kind":"discrete-input","register":0,"table":"discrete","tag":"DOOR"}]}]]');
CREATE TABLE round_day (
	day INTEGER NOT NULL, 
	at_ms BIGINT NOT NULL, 
	body TEXT NOT NULL, 
	CONSTRAINT pk_round_day PRIMARY KEY (day)
);
INSERT INTO "round_day" VALUES(20520,1773022200000,'{"headline":"1 of 2 sites needs nobody","lines":[{"act":true,"key":"silent-1","sites":["heron-gate"],"text":"Heron Gate: silent since 07:05."}],"looked_at":"Contact","unknown":""}');
CREATE TABLE schema_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT schema_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "schema_version" VALUES('0011');
CREATE TABLE session (
	hash TEXT NOT NULL, 
	account_id INTEGER NOT NULL, 
	made_ms BIGINT NOT NULL, 
	seen_ms BIGINT NOT NULL, 
	ends_ms BIGINT NOT NULL, 
	reauth_ms BIGINT NOT NULL, 
	address TEXT NOT NULL, 
	CONSTRAINT pk_session PRIMARY KEY (hash), 
	CONSTRAINT fk_session_account_id FOREIGN KEY(account_id) REFERENCES account (id)
)
 WITHOUT ROWID

;
INSERT INTO "session" VALUES('d4c3e8a11256ab82a4fc72560eb4a2b0e87bad820c290dd9b03616de240aa6db',1,1773022200000,1773022200000,1773022201000,1773022200000,'192.0.2.1');
CREATE TABLE setting (
	"key" TEXT NOT NULL, 
	value TEXT NOT NULL, 
	CONSTRAINT pk_setting PRIMARY KEY ("key")
)
 WITHOUT ROWID

;
INSERT INTO "setting" VALUES('begun','1772928000000');
INSERT INTO "setting" VALUES('days.contract','UTC 0');
CREATE TABLE site (
	id INTEGER NOT NULL, 
	"key" TEXT NOT NULL, 
	rank INTEGER NOT NULL, 
	gateway_id INTEGER NOT NULL, 
	unit SMALLINT NOT NULL, 
	via_site_id INTEGER, 
	profile_id INTEGER, 
	layout_id INTEGER, 
	body TEXT NOT NULL, 
	retired_ms BIGINT, listed SMALLINT, 
	CONSTRAINT pk_site PRIMARY KEY (id), 
	CONSTRAINT fk_site_gateway_id FOREIGN KEY(gateway_id) REFERENCES gateway (id), 
	CONSTRAINT fk_site_profile_id FOREIGN KEY(profile_id) REFERENCES profile (id), 
	CONSTRAINT fk_site_via_site_id FOREIGN KEY(via_site_id) REFERENCES site (id), 
	CONSTRAINT uq_site_key UNIQUE ("key")
);
INSERT INTO "site" VALUES(1,'heron-gate',0,1,3,NULL,1,3,'{"gateway":"ridge","key":"heron-gate","name":"Heron Gate","profile":"gate","unit":3}',NULL,NULL);
INSERT INTO "site" VALUES(2,'stone-gate',1,1,4,1,1,4,'{"gateway":"ridge","key":"stone-gate","profile":"gate","unit":4,"via":"heron-gate"}',NULL,NULL);
CREATE TABLE site_point (
	site_id INTEGER NOT NULL, 
	tag TEXT NOT NULL, 
	rank INTEGER NOT NULL, 
	body TEXT NOT NULL, 
	CONSTRAINT pk_site_point PRIMARY KEY (site_id, tag), 
	CONSTRAINT fk_site_point_site_id FOREIGN KEY(site_id) REFERENCES site (id)
)
 WITHOUT ROWID

;
INSERT INTO "site_point" VALUES(1,'BATT',0,'{"kind":"analog-input","layout":"float32","register":10,"table":"input","tag":"BATT","unit":"V"}');
CREATE TABLE site_state (
	site_id INTEGER NOT NULL, 
	seq BIGINT NOT NULL, 
	state SMALLINT NOT NULL, 
	since_ms BIGINT NOT NULL, 
	layout_id INTEGER NOT NULL, 
	last_poll_ms BIGINT, 
	last_answer_ms BIGINT, 
	words BLOB NOT NULL, 
	block_ms TEXT NOT NULL, 
	suspect_blocks BIGINT NOT NULL, 
	missed_in_row INTEGER NOT NULL, 
	good_in_row INTEGER NOT NULL, 
	first_miss_ms BIGINT, 
	probe_s DOUBLE, 
	hour_ms BIGINT NOT NULL, 
	hour_counts TEXT NOT NULL, 
	code SMALLINT NOT NULL, 
	CONSTRAINT pk_site_state PRIMARY KEY (site_id)
);
INSERT INTO "site_state" VALUES(1,3,1,1772928000000,3,1773022200000,1773022200000,X'2EE02EE02EE02EE02EE02EE0','[[1773022200000,2],[1773022200000,6],[1773022200000,4]]',0,0,0,NULL,NULL,0,'[0,0,0,0,0,0]',0);
INSERT INTO "site_state" VALUES(2,3,1,1772928000000,4,1773022200000,1773022200000,X'2EE02EE02EE02EE0','[[1773022200000,2],[1773022200000,6]]',0,0,0,NULL,NULL,0,'[0,0,0,0,0,0]',0);
CREATE TABLE tag_out (
	id INTEGER NOT NULL, 
	site_id INTEGER NOT NULL, 
	point_id INTEGER, 
	actor TEXT NOT NULL, 
	account_id INTEGER, 
	at_ms BIGINT NOT NULL, 
	reason TEXT NOT NULL, 
	removed_ms BIGINT, 
	removed_by TEXT NOT NULL, 
	note TEXT NOT NULL, 
	CONSTRAINT pk_tag_out PRIMARY KEY (id), 
	CONSTRAINT fk_tag_out_site_id FOREIGN KEY(site_id) REFERENCES site (id), 
	CONSTRAINT fk_tag_out_point_id FOREIGN KEY(point_id) REFERENCES point (id)
);
INSERT INTO "tag_out" VALUES(1,1,1,'m.voss',NULL,1773022200000,'Belt is off.',NULL,'','');
INSERT INTO "tag_out" VALUES(2,1,1,'m.voss',NULL,1773022200000,'Belt is off.',1773022200020,'m.voss','Belt is on again.');
CREATE TABLE task (
	id INTEGER NOT NULL, 
	site_id INTEGER, 
	what TEXT NOT NULL, 
	due_day INTEGER NOT NULL, 
	every_months INTEGER, 
	made_ms BIGINT NOT NULL, 
	actor TEXT NOT NULL, 
	done_ms BIGINT, 
	done_by TEXT, 
	note TEXT NOT NULL, 
	CONSTRAINT pk_task PRIMARY KEY (id), 
	CONSTRAINT fk_task_site_id FOREIGN KEY(site_id) REFERENCES site (id)
);
INSERT INTO "task" VALUES(1,1,'Grease the gate',20500,12,1773022200000,'local',1773022200000,'local','Done.');
CREATE TABLE tick (
	id INTEGER NOT NULL, 
	n BIGINT NOT NULL, 
	CONSTRAINT pk_tick PRIMARY KEY (id)
);
INSERT INTO "tick" VALUES(1,47);
CREATE TABLE token (
	id INTEGER NOT NULL, 
	hash TEXT NOT NULL, 
	name TEXT NOT NULL, 
	role TEXT NOT NULL, 
	account_id INTEGER, 
	made_ms BIGINT NOT NULL, 
	ends_ms BIGINT NOT NULL, 
	revoked_ms BIGINT, 
	CONSTRAINT pk_token PRIMARY KEY (id), 
	CONSTRAINT uq_token_hash UNIQUE (hash), 
	CONSTRAINT fk_token_account_id FOREIGN KEY(account_id) REFERENCES account (id)
);
INSERT INTO "token" VALUES(1,'21a0270b7f66a1e4c25933f13a1e5a1bbb4757578072930c8189131f9c6aaae1','report','viewer',1,1773022200000,1773022201000,NULL);
CREATE TABLE volume_basis (
	site_id INTEGER NOT NULL, 
	body TEXT NOT NULL, 
	next_ms BIGINT, 
	CONSTRAINT pk_volume_basis PRIMARY KEY (site_id)
)
 WITHOUT ROWID

;
INSERT INTO "volume_basis" VALUES(1,'as kept',NULL);
CREATE TABLE volume_event (
	point_id INTEGER NOT NULL, 
	to_ms BIGINT NOT NULL, 
	kind TEXT NOT NULL, 
	from_ms BIGINT NOT NULL, 
	"before" DOUBLE NOT NULL, 
	"after" DOUBLE NOT NULL, 
	pulses DOUBLE NOT NULL, 
	unknown DOUBLE, 
	unproven DOUBLE, 
	CONSTRAINT pk_volume_event PRIMARY KEY (point_id, to_ms, kind)
)
 WITHOUT ROWID

;
INSERT INTO "volume_event" VALUES(2,1772928600000,'reset',1772928000000,48112.0,7.0,0.0,90.0,0.0);
CREATE TABLE volume_hour (
	point_id INTEGER NOT NULL, 
	from_ms BIGINT NOT NULL, 
	to_ms BIGINT NOT NULL, 
	pulses DOUBLE NOT NULL, 
	lead DOUBLE NOT NULL, 
	tail DOUBLE NOT NULL, 
	through SMALLINT NOT NULL, 
	known_ms INTEGER NOT NULL, 
	unknown DOUBLE, 
	unproven DOUBLE, 
	open DOUBLE, 
	close DOUBLE, 
	CONSTRAINT pk_volume_hour PRIMARY KEY (point_id, from_ms)
)
 WITHOUT ROWID

;
INSERT INTO "volume_hour" VALUES(2,1772928000000,1772931600000,48.0,12.0,0.0,0,3000000,90.0,0.0,7.0,NULL);
CREATE TABLE wire (
	gateway_id INTEGER NOT NULL, 
	slot INTEGER NOT NULL, 
	n BIGINT NOT NULL, 
	at_ms BIGINT NOT NULL, 
	way TEXT NOT NULL, 
	site_id INTEGER, 
	bytes BLOB NOT NULL, 
	meaning TEXT NOT NULL, 
	CONSTRAINT pk_wire PRIMARY KEY (gateway_id, slot)
)
 WITHOUT ROWID

;
INSERT INTO "wire" VALUES(1,0,0,1773022200000,'sent',1,X'0304','A question');
CREATE INDEX ix_episode_site_id_from_ms ON episode (site_id, from_ms);
CREATE INDEX ix_job_state ON job (state);
CREATE UNIQUE INDEX uq_site_gateway_id_unit_in_use ON site (gateway_id, unit) WHERE retired_ms IS NULL;
CREATE INDEX ix_note_site_id_at_ms ON note (site_id, at_ms);
CREATE TRIGGER revision_only_grows_update BEFORE UPDATE ON revision BEGIN SELECT RAISE(ABORT, 'revision rows are never changed'); END;
CREATE TRIGGER revision_only_grows_delete BEFORE DELETE ON revision BEGIN SELECT RAISE(ABORT, 'revision rows are never changed'); END;
CREATE TRIGGER note_only_grows_update BEFORE UPDATE ON note BEGIN SELECT RAISE(ABORT, 'note rows are never changed'); END;
CREATE TRIGGER note_only_grows_delete BEFORE DELETE ON note BEGIN SELECT RAISE(ABORT, 'note rows are never changed'); END;
CREATE INDEX ix_audit_at_ms ON audit (at_ms);
CREATE TRIGGER audit_only_grows_update BEFORE UPDATE ON audit BEGIN SELECT RAISE(ABORT, 'audit rows are never changed'); END;
CREATE TRIGGER audit_only_grows_delete BEFORE DELETE ON audit BEGIN SELECT RAISE(ABORT, 'audit rows are never changed'); END;
CREATE INDEX ix_handover_at_ms ON handover (at_ms);
CREATE TRIGGER handover_only_grows_update BEFORE UPDATE ON handover BEGIN SELECT RAISE(ABORT, 'handover rows are never changed'); END;
CREATE TRIGGER handover_only_grows_delete BEFORE DELETE ON handover BEGIN SELECT RAISE(ABORT, 'handover rows are never changed'); END;
CREATE INDEX ix_finding_site_id_id ON finding (site_id, id);
CREATE UNIQUE INDEX uq_finding_site_id_cause_tag_open ON finding (site_id, cause, tag) WHERE until_ms IS NULL;
CREATE INDEX ix_finding_word_finding_id ON finding_word (finding_id);
CREATE TRIGGER finding_word_only_grows_update BEFORE UPDATE ON finding_word BEGIN SELECT RAISE(ABORT, 'finding_word rows are never changed'); END;
CREATE TRIGGER finding_word_only_grows_delete BEFORE DELETE ON finding_word BEGIN SELECT RAISE(ABORT, 'finding_word rows are never changed'); END;
CREATE INDEX ix_part_site_id ON part (site_id);
CREATE TRIGGER hand_reading_only_grows_update BEFORE UPDATE ON hand_reading BEGIN SELECT RAISE(ABORT, 'hand_reading rows are never changed'); END;
CREATE TRIGGER hand_reading_only_grows_delete BEFORE DELETE ON hand_reading BEGIN SELECT RAISE(ABORT, 'hand_reading rows are never changed'); END;
CREATE INDEX ix_proof_site_id ON proof (site_id);
CREATE INDEX ix_proof_photo_proof_id ON proof_photo (proof_id);
CREATE TRIGGER proof_sealed_update BEFORE UPDATE ON proof WHEN OLD.signed_ms IS NOT NULL BEGIN SELECT RAISE(ABORT, 'a sealed proof is never changed'); END;
CREATE TRIGGER proof_sealed_delete BEFORE DELETE ON proof WHEN OLD.signed_ms IS NOT NULL BEGIN SELECT RAISE(ABORT, 'a sealed proof is never changed'); END;
CREATE TRIGGER proof_step_sealed_insert BEFORE INSERT ON proof_step WHEN EXISTS (SELECT 1 FROM proof o WHERE o.id = NEW.proof_id AND o.signed_ms IS NOT NULL) BEGIN SELECT RAISE(ABORT, 'a sealed proof is never changed'); END;
CREATE TRIGGER proof_step_sealed_update BEFORE UPDATE ON proof_step WHEN EXISTS (SELECT 1 FROM proof o WHERE o.id = OLD.proof_id AND o.signed_ms IS NOT NULL) OR EXISTS (SELECT 1 FROM proof o WHERE o.id = NEW.proof_id AND o.signed_ms IS NOT NULL) BEGIN SELECT RAISE(ABORT, 'a sealed proof is never changed'); END;
CREATE TRIGGER proof_step_sealed_delete BEFORE DELETE ON proof_step WHEN EXISTS (SELECT 1 FROM proof o WHERE o.id = OLD.proof_id AND o.signed_ms IS NOT NULL) BEGIN SELECT RAISE(ABORT, 'a sealed proof is never changed'); END;
CREATE TRIGGER proof_photo_sealed_insert BEFORE INSERT ON proof_photo WHEN EXISTS (SELECT 1 FROM proof o WHERE o.id = NEW.proof_id AND o.signed_ms IS NOT NULL) BEGIN SELECT RAISE(ABORT, 'a sealed proof is never changed'); END;
CREATE TRIGGER proof_photo_sealed_update BEFORE UPDATE ON proof_photo WHEN EXISTS (SELECT 1 FROM proof o WHERE o.id = OLD.proof_id AND o.signed_ms IS NOT NULL) OR EXISTS (SELECT 1 FROM proof o WHERE o.id = NEW.proof_id AND o.signed_ms IS NOT NULL) BEGIN SELECT RAISE(ABORT, 'a sealed proof is never changed'); END;
CREATE TRIGGER proof_photo_sealed_delete BEFORE DELETE ON proof_photo WHEN EXISTS (SELECT 1 FROM proof o WHERE o.id = OLD.proof_id AND o.signed_ms IS NOT NULL) BEGIN SELECT RAISE(ABORT, 'a sealed proof is never changed'); END;
CREATE UNIQUE INDEX uq_alarm_key_in_use ON alarm ("key") WHERE retired_ms IS NULL;
CREATE INDEX ix_alarm_journal_at_ms ON alarm_journal (at_ms);
CREATE INDEX ix_alarm_journal_alarm_id_at_ms ON alarm_journal (alarm_id, at_ms);
CREATE TRIGGER alarm_journal_only_grows_update BEFORE UPDATE ON alarm_journal BEGIN SELECT RAISE(ABORT, 'alarm_journal rows are never changed'); END;
CREATE TRIGGER alarm_journal_only_grows_delete BEFORE DELETE ON alarm_journal BEGIN SELECT RAISE(ABORT, 'alarm_journal rows are never changed'); END;
CREATE INDEX ix_orders_state ON orders (state);
CREATE INDEX ix_orders_point_id ON orders (point_id);
CREATE INDEX ix_orders_site_id_made_ms ON orders (site_id, made_ms);
CREATE TRIGGER order_step_only_grows_update BEFORE UPDATE ON order_step BEGIN SELECT RAISE(ABORT, 'order_step rows are never changed'); END;
CREATE TRIGGER order_step_only_grows_delete BEFORE DELETE ON order_step BEGIN SELECT RAISE(ABORT, 'order_step rows are never changed'); END;
CREATE INDEX ix_tag_out_site_id ON tag_out (site_id);
CREATE INDEX ix_message_state ON message (state);
CREATE INDEX ix_message_made_ms ON message (made_ms);
CREATE TRIGGER message_try_only_grows_update BEFORE UPDATE ON message_try BEGIN SELECT RAISE(ABORT, 'message_try rows are never changed'); END;
CREATE TRIGGER message_try_only_grows_delete BEFORE DELETE ON message_try BEGIN SELECT RAISE(ABORT, 'message_try rows are never changed'); END;
CREATE INDEX ix_adjustment_point_id_from_ms ON adjustment (point_id, from_ms);
CREATE TRIGGER adjustment_only_grows_update BEFORE UPDATE ON adjustment BEGIN SELECT RAISE(ABORT, 'adjustment rows are never changed'); END;
CREATE TRIGGER adjustment_only_grows_delete BEFORE DELETE ON adjustment BEGIN SELECT RAISE(ABORT, 'adjustment rows are never changed'); END;
CREATE TRIGGER month_close_only_grows_update BEFORE UPDATE ON month_close BEGIN SELECT RAISE(ABORT, 'month_close rows are never changed'); END;
CREATE TRIGGER month_close_only_grows_delete BEFORE DELETE ON month_close BEGIN SELECT RAISE(ABORT, 'month_close rows are never changed'); END;
CREATE INDEX ix_index_reading_point_id_read_ms ON index_reading (point_id, read_ms);
CREATE TRIGGER index_reading_only_grows_update BEFORE UPDATE ON index_reading BEGIN SELECT RAISE(ABORT, 'index_reading rows are never changed'); END;
CREATE TRIGGER index_reading_only_grows_delete BEFORE DELETE ON index_reading BEGIN SELECT RAISE(ABORT, 'index_reading rows are never changed'); END;
COMMIT;

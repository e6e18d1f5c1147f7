"""The tables, as SQLAlchemy Core describes them; migrations/ makes them.

Conventions: ``*_ms`` are UTC milliseconds; enums are small integers listed in
domain/model.py; JSON is canonical text that SQL never looks into; text is ordered by code
point. Tables with a composite key have no rowid on SQLite, so the key is the table.
"""

from typing import Any, Final

from sqlalchemy import (
    BigInteger,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    Table,
    Text,
    UniqueConstraint,
    text,
)

# A serial key is an alias of the rowid on SQLite only if its type reads INTEGER there.
Id: Final = BigInteger().with_variant(Integer(), "sqlite")
Ms: Final = BigInteger()
# Ordered by code point in every dialect, whatever the server's language.
Word: Final = Text().with_variant(Text(collation="C"), "postgresql")

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)
_KEYED: Final[dict[str, Any]] = {"sqlite_with_rowid": False}

# Rows of these are only ever added; a trigger holds that in each dialect.
APPEND_ONLY: Final = (
    "revision",
    "note",
    "audit",
    "handover",
    "finding_word",
    "hand_reading",
    "alarm_journal",
    "adjustment",
    "month_close",
    "index_reading",
)


# --- the network ----------------------------------------------------------------------

network = Table(
    "network",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("title", Word, nullable=False),
    Column("time_zone", Word, nullable=False),
    Column("contract_hour", SmallInteger, nullable=False),
    Column("contract_zone", Word),
    Column("written", Text, nullable=False),  # the top-level keys a person wrote
    Column("revision_id", Id, nullable=False),
)
setting = Table(
    "setting",
    metadata,
    Column("key", Word, primary_key=True),
    Column("value", Text, nullable=False),
    **_KEYED,
)
tick = Table(
    "tick",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("n", BigInteger, nullable=False),
)
change = Table(
    "change",
    metadata,
    Column("seq", Id, primary_key=True, autoincrement=False),
    Column("at_ms", Ms, nullable=False),
    Column("kind", Word, nullable=False),
    Column("key", Word, nullable=False),
)
revision = Table(
    "revision",
    metadata,
    Column("id", Id, primary_key=True),
    Column("at_ms", Ms, nullable=False),
    Column("actor", Word, nullable=False),
    Column("source", Word, nullable=False),  # file form csv undo api
    Column("undoes_id", Id),
    Column("sentence", Text, nullable=False),
    Column("diff", Text, nullable=False),
)
gateway = Table(
    "gateway",
    metadata,
    Column("id", Id, primary_key=True),
    Column("key", Word, nullable=False, unique=True),
    Column("rank", Integer, nullable=False),  # its place in the file
    Column("body", Text, nullable=False),  # only the keys a person wrote
    Column("retired_ms", Ms),
)
profile = Table(
    "profile",
    metadata,
    Column("id", Id, primary_key=True),
    Column("key", Word, nullable=False, unique=True),
    Column("rank", Integer, nullable=False),
    Column("body", Text, nullable=False),
)
profile_point = Table(
    "profile_point",
    metadata,
    Column("profile_id", Id, ForeignKey("profile.id"), primary_key=True),
    Column("tag", Word, primary_key=True),
    Column("rank", Integer, nullable=False),
    Column("body", Text, nullable=False),
    **_KEYED,
)
site = Table(
    "site",
    metadata,
    Column("id", Id, primary_key=True),
    Column("key", Word, nullable=False, unique=True),
    Column("rank", Integer, nullable=False),
    Column("gateway_id", Id, ForeignKey("gateway.id"), nullable=False),
    Column("unit", SmallInteger, nullable=False),
    Column("via_site_id", Id, ForeignKey("site.id")),
    Column("profile_id", Id, ForeignKey("profile.id")),
    Column("layout_id", Id),  # the one its polls use now; going back reuses an old one
    Column("body", Text, nullable=False),
    Column("retired_ms", Ms),
    Column("listed", SmallInteger),  # 1: retired, and still in the network file
    Index(
        "uq_site_gateway_id_unit_in_use",
        "gateway_id",
        "unit",
        unique=True,
        sqlite_where=text("retired_ms IS NULL"),
        postgresql_where=text("retired_ms IS NULL"),
    ),
)
site_point = Table(
    "site_point",
    metadata,
    Column("site_id", Id, ForeignKey("site.id"), primary_key=True),
    Column("tag", Word, primary_key=True),
    Column("rank", Integer, nullable=False),
    Column("body", Text, nullable=False),
    **_KEYED,
)
point = Table(  # a point's stable identity
    "point",
    metadata,
    Column("id", Id, primary_key=True),
    Column("site_id", Id, ForeignKey("site.id"), nullable=False),
    Column("tag", Word, nullable=False),
    Column("kind", Word, nullable=False),
    Column("created_ms", Ms, nullable=False),
    Column("retired_ms", Ms),
    UniqueConstraint("site_id", "tag"),
)
layout = Table(  # immutable, so that old words keep their meaning
    "layout",
    metadata,
    Column("id", Id, primary_key=True),
    Column("site_id", Id, ForeignKey("site.id"), nullable=False),
    Column("from_ms", Ms, nullable=False),
    Column("digest", Word, nullable=False),
    Column("body", Text, nullable=False),
    UniqueConstraint("site_id", "digest"),
)

# --- polls ----------------------------------------------------------------------------

poll = Table(  # hot rows: the hours that are not closed yet
    "poll",
    metadata,
    Column("at_ms", Ms, primary_key=True, autoincrement=False),
    Column("site_id", Id, primary_key=True, autoincrement=False),
    Column("outcome", SmallInteger, nullable=False),
    Column("flags", SmallInteger, nullable=False),
    Column("tries", Integer, nullable=False),
    Column("answer_ms", Double),
    Column("layout_id", Id, nullable=False),
    Column("got", BigInteger, nullable=False),
    Column("code", SmallInteger, nullable=False),
    Column("words", LargeBinary, nullable=False),
    **_KEYED,
)
chunk = Table(  # with a rowid: bodies of kilobytes waste overflow pages without one
    "chunk",
    metadata,
    Column("site_id", Id, primary_key=True, autoincrement=False),
    Column("start_ms", Ms, primary_key=True, autoincrement=False),
    Column("span", SmallInteger, primary_key=True, autoincrement=False),  # hours: 1 or 24
    Column("layout_id", Id, primary_key=True, autoincrement=False),
    Column("format", SmallInteger, nullable=False),
    Column("n", Integer, nullable=False),
    Column("first_ms", Ms, nullable=False),
    Column("last_ms", Ms, nullable=False),
    Column("body", LargeBinary, nullable=False),
)
site_state = Table(
    "site_state",
    metadata,
    Column("site_id", Id, primary_key=True, autoincrement=False),
    Column("seq", BigInteger, nullable=False),
    Column("state", SmallInteger, nullable=False),
    Column("since_ms", Ms, nullable=False),
    Column("layout_id", Id, nullable=False),
    Column("last_poll_ms", Ms),
    Column("last_answer_ms", Ms),
    Column("words", LargeBinary, nullable=False),
    Column("block_ms", Text, nullable=False),  # [[at_ms, bytes] or null, …]
    Column("suspect_blocks", BigInteger, nullable=False),
    Column("missed_in_row", Integer, nullable=False),
    Column("good_in_row", Integer, nullable=False),
    Column("first_miss_ms", Ms),
    Column("probe_s", Double),
    Column("hour_ms", Ms, nullable=False),
    Column("hour_counts", Text, nullable=False),
    Column("code", SmallInteger, nullable=False),
)
gateway_state = Table(
    "gateway_state",
    metadata,
    Column("gateway_id", Id, primary_key=True, autoincrement=False),
    Column("seq", BigInteger, nullable=False),
    Column("state", SmallInteger, nullable=False),
    Column("since_ms", Ms, nullable=False),
    Column("cycle_s", Double),
    Column("airtime_used", Double),
    Column("exchanges", BigInteger, nullable=False),
    Column("lateness_s", Double, nullable=False),
    Column("quarantine_s", Double, nullable=False),
    Column("busy_s", Text, nullable=False),
    Column("sentence", Text, nullable=False),
    Column("holds_s", Double),
    Column("worker_id", Id),
)
comm_hour = Table(
    "comm_hour",
    metadata,
    Column("site_id", Id, primary_key=True, autoincrement=False),
    Column("hour_ms", Ms, primary_key=True, autoincrement=False),
    Column("asked", Integer, nullable=False),
    Column("first_try", Integer, nullable=False),
    Column("retried", Integer, nullable=False),
    Column("no_answer", Integer, nullable=False),
    Column("garbled", Integer, nullable=False),
    Column("refused", Integer, nullable=False),
    Column("gateway_lost", Integer, nullable=False),
    Column("maintenance_ms", Integer, nullable=False),
    Column("quarters", LargeBinary, nullable=False),
    Column("answers", LargeBinary, nullable=False),
    Column("codes", Text, nullable=False),
    Column("runs", LargeBinary),  # null: stored before runs were kept
    **_KEYED,
)
point_hour = Table(  # raw numbers, scaled when read
    "point_hour",
    metadata,
    Column("point_id", Id, primary_key=True, autoincrement=False),
    Column("hour_ms", Ms, primary_key=True, autoincrement=False),
    Column("layout_id", Id, primary_key=True, autoincrement=False),
    Column("n", Integer, nullable=False),
    Column("sum", Double, nullable=False),
    Column("min", Double, nullable=False),
    Column("max", Double, nullable=False),
    Column("first", Double, nullable=False),
    Column("last", Double, nullable=False),
    Column("changes", Integer, nullable=False),
    Column("on_ms", Integer, nullable=False),
    **_KEYED,
)
comm_day = Table(  # by contract day; end_ms tells a day of another contract from this one's
    "comm_day",
    metadata,
    Column("site_id", Id, primary_key=True, autoincrement=False),
    Column("day_ms", Ms, primary_key=True, autoincrement=False),
    Column("end_ms", Ms, nullable=False),
    Column("asked", Integer, nullable=False),
    Column("first_try", Integer, nullable=False),
    Column("retried", Integer, nullable=False),
    Column("no_answer", Integer, nullable=False),
    Column("garbled", Integer, nullable=False),
    Column("refused", Integer, nullable=False),
    Column("gateway_lost", Integer, nullable=False),
    Column("maintenance_ms", Integer, nullable=False),
    Column("hours", LargeBinary, nullable=False),
    Column("answers", LargeBinary, nullable=False),
    Column("codes", Text, nullable=False),
    Column("runs", LargeBinary),
    **_KEYED,
)
point_day = Table(  # raw numbers, scaled when read
    "point_day",
    metadata,
    Column("point_id", Id, primary_key=True, autoincrement=False),
    Column("day_ms", Ms, primary_key=True, autoincrement=False),
    Column("layout_id", Id, primary_key=True, autoincrement=False),
    Column("end_ms", Ms, nullable=False),
    Column("n", Integer, nullable=False),
    Column("sum", Double, nullable=False),
    Column("min", Double, nullable=False),
    Column("max", Double, nullable=False),
    Column("first", Double, nullable=False),
    Column("last", Double, nullable=False),
    Column("changes", Integer, nullable=False),
    Column("on_ms", Integer, nullable=False),
    **_KEYED,
)
point_pack = Table(  # a UTC day's hours of all points of a site, once it is over
    "point_pack",
    metadata,
    Column("site_id", Id, primary_key=True, autoincrement=False),
    Column("day_ms", Ms, primary_key=True, autoincrement=False),
    Column("body", LargeBinary, nullable=False),
)
night = Table(  # days are local, counted from 1970-01-01
    "night",
    metadata,
    Column("site_id", Id, primary_key=True, autoincrement=False),
    Column("day", Integer, primary_key=True, autoincrement=False),
    Column("low_v", Double),
    Column("low_ms", Ms),
    Column("predawn_v", Double),
    Column("peak_v", Double),
    Column("peak_ms", Ms),
    Column("n", Integer, nullable=False),
    **_KEYED,
)
dirty = Table(  # hours and days to compute again
    "dirty",
    metadata,
    Column("kind", Word, primary_key=True),
    Column("key_id", Id, primary_key=True, autoincrement=False),
    Column("start_ms", Ms, primary_key=True, autoincrement=False),
    **_KEYED,
)

wire = Table(  # a ring of the last exchanges, written only while somebody watches
    "wire",
    metadata,
    Column("gateway_id", Id, primary_key=True, autoincrement=False),
    Column("slot", Integer, primary_key=True, autoincrement=False),
    Column("n", Ms, nullable=False),
    Column("at_ms", Ms, nullable=False),
    Column("way", Word, nullable=False),
    Column("site_id", Id),
    Column("bytes", LargeBinary, nullable=False),
    Column("meaning", Text, nullable=False),
    **_KEYED,
)

# --- judgement, and work asked of the poller ------------------------------------------

episode = Table(
    "episode",
    metadata,
    Column("id", Id, primary_key=True),
    Column("kind", Word, nullable=False),
    Column("gateway_id", Id),
    Column("site_id", Id),
    Column("from_ms", Ms, nullable=False),
    Column("to_ms", Ms),
    Column("planned_end_ms", Ms),
    Column("reason", Text, nullable=False),
    Column("actor", Word, nullable=False),
    Column("detail", Text, nullable=False),
    Index(None, "site_id", "from_ms"),
)
note = Table(
    "note",
    metadata,
    Column("id", Id, primary_key=True),
    Column("site_id", Id, ForeignKey("site.id"), nullable=False),
    Column("at_ms", Ms, nullable=False),
    Column("actor", Word, nullable=False),
    Column("kind", Word, nullable=False),
    Column("text", Text, nullable=False),
    Column("replaces_id", Id, ForeignKey("note.id")),
    Index(None, "site_id", "at_ms"),
)
round_day = Table(  # what the Morning round said, a row a local day counted from 1970-01-01
    "round_day",
    metadata,
    Column("day", Integer, primary_key=True, autoincrement=False),
    Column("at_ms", Ms, nullable=False),
    Column("body", Text, nullable=False),
)
handover = Table(  # what one shift tells the next; it only grows
    "handover",
    metadata,
    Column("id", Id, primary_key=True),
    Column("at_ms", Ms, nullable=False),
    Column("actor", Word, nullable=False),
    Column("text", Text, nullable=False),
    Index(None, "at_ms"),
)
finding = Table(  # a cause that was named: a row a site it accuses, or one for its gateway
    "finding",
    metadata,
    Column("id", Id, primary_key=True),
    Column("site_id", Id, ForeignKey("site.id")),  # null: the gateway itself
    Column("gateway_id", Id, ForeignKey("gateway.id"), nullable=False),
    Column("cause", Word, nullable=False),
    Column("tag", Word, nullable=False),  # of the point it is about, else empty
    Column("title", Text, nullable=False),
    Column("since_ms", Ms, nullable=False),
    Column("named_ms", Ms, nullable=False),  # for the first time
    Column("last_ms", Ms, nullable=False),  # for the last time, as far as it was written
    Column("until_ms", Ms),  # null: it still stands
    Column("rank", Integer, nullable=False),
    Column("confidence", SmallInteger, nullable=False),
    Column("evidence", Text, nullable=False),  # the whole diagnosis as written
    Column("shared", Text, nullable=False),  # ids of the other sites it accuses
    Column("judged_ms", Ms, nullable=False),  # when the evidence was written
    Index(None, "site_id", "id"),
    Index(
        "uq_finding_site_id_cause_tag_open",
        "site_id",
        "cause",
        "tag",
        unique=True,
        sqlite_where=text("until_ms IS NULL"),
        postgresql_where=text("until_ms IS NULL"),
    ),
)
finding_word = Table(  # what visitors said of findings; it only grows, the newest word counts
    "finding_word",
    metadata,
    Column("id", Id, primary_key=True),
    Column("finding_id", Id, ForeignKey("finding.id"), nullable=False),
    Column("at_ms", Ms, nullable=False),
    Column("actor", Word, nullable=False),
    Column("verdict", Word, nullable=False),
    Column("cause_found", Text, nullable=False),
    Column("text", Text, nullable=False),
    Index(None, "finding_id"),
)
job = Table(
    "job",
    metadata,
    Column("id", Id, primary_key=True),
    Column("kind", Word, nullable=False),
    Column("gateway_id", Id),
    Column("site_id", Id),
    Column("params", Text, nullable=False),
    Column("state", Word, nullable=False),
    Column("progress", Double, nullable=False),
    Column("result", Text, nullable=False),
    Column("actor", Word, nullable=False),
    Column("asked_ms", Ms, nullable=False),
    Column("done_ms", Ms),
    Column("worker_id", Id),
    Column("stop_ms", Ms),  # when somebody asked for its end
    Index(None, "state"),
)
job_row = Table(  # what a job finds on its way, a row a finding
    "job_row",
    metadata,
    Column("job_id", Id, primary_key=True, autoincrement=False),
    Column("n", Integer, primary_key=True, autoincrement=False),
    Column("body", Text, nullable=False),
    **_KEYED,
)

# --- setting up and proving -------------------------------------------------------------

draft = Table(  # a change somebody is about to make: a file that was sent in
    "draft",
    metadata,
    Column("id", Id, primary_key=True),
    Column("kind", Word, nullable=False),
    Column("name", Text, nullable=False),
    Column("made_ms", Ms, nullable=False),
    Column("actor", Word, nullable=False),
    Column("account_id", Id),
    Column("revision_id", Id, nullable=False),  # the network it was made from
    Column("body", Text, nullable=False),
    Column("ended_ms", Ms),
)
part = Table(  # hardware: at a site from ... to, or in the store (no site)
    "part",
    metadata,
    Column("id", Id, primary_key=True),
    Column("site_id", Id, ForeignKey("site.id")),
    Column("kind", Word, nullable=False),
    Column("name", Text, nullable=False),
    Column("serial", Word, nullable=False),
    Column("version", Word, nullable=False),
    Column("detail", Text, nullable=False),
    Column("place", Text, nullable=False),
    Column("from_ms", Ms, nullable=False),
    Column("to_ms", Ms),
    Column("note", Text, nullable=False),
    Column("actor", Word, nullable=False),
    Index(None, "site_id"),
)
task = Table(  # what is due; days are local, counted from 1970-01-01
    "task",
    metadata,
    Column("id", Id, primary_key=True),
    Column("site_id", Id, ForeignKey("site.id")),
    Column("what", Text, nullable=False),
    Column("due_day", Integer, nullable=False),
    Column("every_months", Integer),
    Column("made_ms", Ms, nullable=False),
    Column("actor", Word, nullable=False),
    Column("done_ms", Ms),
    Column("done_by", Word),
    Column("note", Text, nullable=False),
)
hand_reading = Table(  # what a hand meter said beside what the station said; it only grows
    "hand_reading",
    metadata,
    Column("id", Id, primary_key=True),
    Column("site_id", Id, ForeignKey("site.id"), nullable=False),
    Column("tag", Word, nullable=False),
    Column("at_ms", Ms, nullable=False),
    Column("hand", Double, nullable=False),
    Column("shown", Double, nullable=False),
    Column("shown_ms", Ms),
    Column("offset_before", Double, nullable=False),
    Column("offset_after", Double, nullable=False),
    Column("revision_id", Id),
    Column("actor", Word, nullable=False),
    Column("note", Text, nullable=False),
)
count_event = Table(  # where a totalizer did not simply climb
    "count_event",
    metadata,
    Column("id", Id, primary_key=True),
    Column("point_id", Id, ForeignKey("point.id"), nullable=False),
    Column("at_ms", Ms, nullable=False),
    Column("kind", Word, nullable=False),  # replaced; later rollover reset bad either
    Column("before", Double),
    Column("after", Double),
    Column("unknown", Double),
    Column("source", Word, nullable=False),
    Column("actor", Word, nullable=False),
    UniqueConstraint("point_id", "at_ms", "kind"),
)
proof = Table(  # one going through a site's points; sealed once it is signed
    "proof",
    metadata,
    Column("id", Id, primary_key=True),
    Column("site_id", Id, ForeignKey("site.id"), nullable=False),
    Column("kind", Word, nullable=False),  # commissioning repair return checklist
    Column("part_id", Id, ForeignKey("part.id")),  # the station that was there
    Column("follows_id", Id),  # the one it repeats
    Column("began_ms", Ms, nullable=False),
    Column("made_ms", Ms),  # when it was done, where it was entered later from paper
    Column("signed_ms", Ms),
    Column("signed_name", Word, nullable=False),
    Column("at_site", Word, nullable=False),
    Column("at_base", Word, nullable=False),
    Column("actor", Word, nullable=False),
    Column("state", Word, nullable=False),  # open signed left
    Column("versions", Text, nullable=False),
    Column("detail", Text, nullable=False),
    Column("note", Text, nullable=False),
    Index(None, "site_id"),
)
proof_step = Table(
    "proof_step",
    metadata,
    Column("proof_id", Id, primary_key=True, autoincrement=False),
    Column("n", Integer, primary_key=True, autoincrement=False),
    Column("tag", Word, nullable=False),
    Column("kind", Word, nullable=False),
    Column("phase", Word, nullable=False),  # as-found as-left
    Column("applied", Double),
    Column("expected", Double),
    Column("shown", Double),
    Column("shown_ms", Ms),
    Column("error_pct", Double),
    Column("tolerance_pct", Double),
    Column("result", Word, nullable=False),  # pass fail not-tested
    Column("meaning", Text, nullable=False),  # how the point was read then
    Column("note", Text, nullable=False),
    Column("at_ms", Ms, nullable=False),
    Column("actor", Word, nullable=False),
    **_KEYED,
)
proof_photo = Table(
    "proof_photo",
    metadata,
    Column("id", Id, primary_key=True),
    Column("proof_id", Id, ForeignKey("proof.id"), nullable=False),
    Column("name", Text, nullable=False),
    Column("media", Word, nullable=False),
    Column("at_ms", Ms, nullable=False),
    Column("actor", Word, nullable=False),
    Column("body", LargeBinary, nullable=False),
    Index(None, "proof_id"),
)

# --- alarms -----------------------------------------------------------------------------

alarm = Table(  # one that is or was set up; what a change of the network takes away is retired
    "alarm",
    metadata,
    Column("id", Id, primary_key=True),
    Column("key", Word, nullable=False),
    Column("gateway_id", Id, ForeignKey("gateway.id")),
    Column("site_id", Id, ForeignKey("site.id")),
    Column("point_id", Id, ForeignKey("point.id")),
    Column("kind", Word, nullable=False),  # empty: known by its key alone
    Column("priority", Word, nullable=False),
    Column("params", Text, nullable=False),  # limit, and the word of a contact that calls
    Column("rationale", Text, nullable=False),
    Column("consequence", Text, nullable=False),
    Column("response", Text, nullable=False),
    Column("on_delay_ms", Ms, nullable=False),
    Column("off_delay_ms", Ms, nullable=False),
    Column("deadband", Double, nullable=False),
    Column("first_up_group", Word, nullable=False),
    Column("latched", SmallInteger, nullable=False),
    Column("entered_ms", Ms, nullable=False),
    Column("retired_ms", Ms),
    Index(
        "uq_alarm_key_in_use",
        "key",
        unique=True,
        sqlite_where=text("retired_ms IS NULL"),
        postgresql_where=text("retired_ms IS NULL"),
    ),
)
alarm_state = Table(  # how each alarm stands; seq is of the change feed
    "alarm_state",
    metadata,
    Column("alarm_id", Id, ForeignKey("alarm.id"), primary_key=True, autoincrement=False),
    Column("seq", BigInteger, nullable=False),
    Column("state", Word, nullable=False),
    Column("condition", Word, nullable=False),
    Column("raised_ms", Ms),
    Column("cleared_ms", Ms),
    Column("acked_ms", Ms),
    Column("acked_by", Word, nullable=False),
    Column("pending_ms", Ms),
    Column("pending_n", Integer, nullable=False),
    Column("seen_ms", Ms),
    Column("value", Text, nullable=False),
    Column("shelved_until_ms", Ms),
    Column("shelved_by", Word, nullable=False),
    Column("shelved_why", Text, nullable=False),
    Column("suppressed_by", Text, nullable=False),
    Column("out_of_service", Text, nullable=False),
    Column("first", SmallInteger, nullable=False),
    Column("detail", Text, nullable=False),
)
alarm_journal = Table(  # what happened to alarms; it only grows
    "alarm_journal",
    metadata,
    Column("id", Id, primary_key=True),
    Column("at_ms", Ms, nullable=False),
    Column("alarm_id", Id, ForeignKey("alarm.id"), nullable=False),
    Column("event", Word, nullable=False),
    Column("from_state", Word, nullable=False),
    Column("to_state", Word, nullable=False),
    Column("value", Text, nullable=False),
    Column("actor", Word, nullable=False),
    Column("note", Text, nullable=False),
    Index(None, "at_ms"),
    Index(None, "alarm_id", "at_ms"),
)

# --- orders, and telling people -------------------------------------------------------

orders = Table(
    "orders",
    metadata,
    Column("id", Id, primary_key=True),
    Column("request_key", Word, nullable=False, unique=True),
    Column("made_ms", Ms, nullable=False),
    Column("actor", Word, nullable=False),
    Column("account_id", Id),
    Column("site_id", Id, ForeignKey("site.id"), nullable=False),
    Column("point_id", Id, ForeignKey("point.id"), nullable=False),
    Column("kind", Word, nullable=False),  # on off pulse setpoint
    Column("want", Double),
    Column("duration_ms", Ms),
    Column("seen", Text, nullable=False),
    Column("seen_ms", Ms),
    Column("state", Word, nullable=False),
    Column("state_ms", Ms, nullable=False),
    Column("expires_ms", Ms, nullable=False),
    Column("worker", Word, nullable=False),
    Column("code", Integer, nullable=False),
    Column("reason", Text, nullable=False),
    Column("sent_ms", Ms),
    Column("readback", Double),
    Column("readback_ms", Ms),
    Column("feedback", Word, nullable=False),
    Column("feedback_ms", Ms),
    Column("feedback_said", Text, nullable=False),
    Column("source", Word, nullable=False),  # page api check-out
    Index(None, "state"),
    Index(None, "point_id"),
    Index(None, "site_id", "made_ms"),
)
order_step = Table(  # what happened to orders; it only grows
    "order_step",
    metadata,
    Column("order_id", Id, ForeignKey("orders.id"), primary_key=True, autoincrement=False),
    Column("n", Integer, primary_key=True, autoincrement=False),
    Column("at_ms", Ms, nullable=False),
    Column("state", Word, nullable=False),
    Column("detail", Text, nullable=False),
    **_KEYED,
)
tag_out = Table(  # do-not-operate tags
    "tag_out",
    metadata,
    Column("id", Id, primary_key=True),
    Column("site_id", Id, ForeignKey("site.id"), nullable=False),
    Column("point_id", Id, ForeignKey("point.id")),  # null: the whole site
    Column("actor", Word, nullable=False),
    Column("account_id", Id),
    Column("at_ms", Ms, nullable=False),
    Column("reason", Text, nullable=False),
    Column("removed_ms", Ms),
    Column("removed_by", Word, nullable=False),
    Column("note", Text, nullable=False),
    Index(None, "site_id"),
)
contact = Table(  # who is told of alarms, and how
    "contact",
    metadata,
    Column("id", Id, primary_key=True),
    Column("name", Word, nullable=False),
    Column("way", Word, nullable=False),  # mail webhook
    Column("address", Word, nullable=False),
    Column("secret", Word, nullable=False),  # signs a webhook; empty for mail
    Column("priorities", Text, nullable=False),  # JSON list
    Column("areas", Text, nullable=False),  # JSON list; empty: all
    Column("level", SmallInteger, nullable=False),  # 1 first, 2 next, 3 supervisor
    Column("digest", SmallInteger, nullable=False),  # the rest: 0 not, 1 each day, 2 each hour
    Column("account_id", Id),
    Column("made_ms", Ms, nullable=False),
    Column("retired_ms", Ms),
)
message = Table(  # what is told to one contact
    "message",
    metadata,
    Column("id", Id, primary_key=True),
    Column("contact_id", Id, ForeignKey("contact.id"), nullable=False),
    Column("kind", Word, nullable=False),  # alarm escalation repeat digest test
    Column("priority", Word, nullable=False),
    Column("subject", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("alarms", Text, nullable=False),  # JSON: key and raised_ms of each
    Column("made_ms", Ms, nullable=False),
    Column("state", Word, nullable=False),  # waiting handed given-up
    Column("tries", Integer, nullable=False),
    Column("due_ms", Ms, nullable=False),  # of the next try
    Column("done_ms", Ms),
    Index(None, "state"),
    Index(None, "made_ms"),
)
message_try = Table(  # the delivery log; it only grows
    "message_try",
    metadata,
    Column("message_id", Id, ForeignKey("message.id"), primary_key=True, autoincrement=False),
    Column("n", Integer, primary_key=True, autoincrement=False),
    Column("at_ms", Ms, nullable=False),
    Column("outcome", Word, nullable=False),  # handed refused failed
    Column("said", Text, nullable=False),
    **_KEYED,
)

# --- volumes --------------------------------------------------------------------------

volume_hour = Table(  # hours, cut where a contract day or a factor begins; in raw counts
    "volume_hour",
    metadata,
    Column("point_id", Id, primary_key=True, autoincrement=False),
    Column("from_ms", Ms, primary_key=True, autoincrement=False),
    Column("to_ms", Ms, nullable=False),
    Column("pulses", Double, nullable=False),
    Column("lead", Double, nullable=False),
    Column("tail", Double, nullable=False),
    Column("through", SmallInteger, nullable=False),
    Column("known_ms", Integer, nullable=False),
    Column("unknown", Double),  # null: no bound is known
    Column("unproven", Double),
    Column("open", Double),
    Column("close", Double),
    **_KEYED,
)
volume_event = Table(  # where a count did not simply climb; found anew with its hours
    "volume_event",
    metadata,
    Column("point_id", Id, primary_key=True, autoincrement=False),
    Column("to_ms", Ms, primary_key=True, autoincrement=False),
    Column("kind", Word, primary_key=True),  # StepKind
    Column("from_ms", Ms, nullable=False),
    Column("before", Double, nullable=False),
    Column("after", Double, nullable=False),
    Column("pulses", Double, nullable=False),
    Column("unknown", Double),
    Column("unproven", Double),
    **_KEYED,
)
volume_basis = Table(  # by what a site's counts were judged, and from where they are judged anew
    "volume_basis",
    metadata,
    Column("site_id", Id, primary_key=True, autoincrement=False),
    Column("body", Text, nullable=False),
    Column("next_ms", Ms),  # null: all of it is
    **_KEYED,
)
k_factor = Table(  # from when on a pulse stands for what; before the first, the network's
    "k_factor",
    metadata,
    Column("point_id", Id, ForeignKey("point.id"), primary_key=True, autoincrement=False),
    Column("from_ms", Ms, primary_key=True, autoincrement=False),
    Column("per_pulse", Word, nullable=False),  # an exact fraction, as 1/450
    Column("unit", Word, nullable=False),
    Column("at_ms", Ms, nullable=False),
    Column("actor", Word, nullable=False),
    Column("note", Text, nullable=False),
    **_KEYED,
)
adjustment = Table(  # what people added to a volume or took from it; it only grows
    "adjustment",
    metadata,
    Column("id", Id, primary_key=True),
    Column("point_id", Id, ForeignKey("point.id"), nullable=False),
    Column("from_ms", Ms, nullable=False),
    Column("to_ms", Ms, nullable=False),
    Column("amount", Word, nullable=False),  # an exact fraction
    Column("unit", Word, nullable=False),
    Column("reason", Text, nullable=False),
    Column("at_ms", Ms, nullable=False),
    Column("actor", Word, nullable=False),
    Column("reverses_id", Id, unique=True),  # what it takes back, once
    Index(None, "point_id", "from_ms"),
)
month_close = Table(  # a month's figures as they were closed; it only grows
    "month_close",
    metadata,
    Column("point_id", Id, ForeignKey("point.id"), primary_key=True, autoincrement=False),
    Column("month", Word, primary_key=True),  # 2026-03
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("at_ms", Ms, nullable=False),
    Column("actor", Word, nullable=False),
    Column("note", Text, nullable=False),
    Column("figures", Text, nullable=False),
    **_KEYED,
)
index_reading = Table(  # what a meter's mechanical index said; it only grows
    "index_reading",
    metadata,
    Column("id", Id, primary_key=True),
    Column("point_id", Id, ForeignKey("point.id"), nullable=False),
    Column("read_ms", Ms, nullable=False),
    Column("shows", Word, nullable=False),  # as read, an exact decimal
    Column("unit", Word, nullable=False),
    Column("begins", SmallInteger, nullable=False),  # 1: another index, compared with none before
    Column("at_ms", Ms, nullable=False),
    Column("actor", Word, nullable=False),
    Column("note", Text, nullable=False),
    Index(None, "point_id", "read_ms"),
)
permit = Table(  # how much may be taken in a day or a month
    "permit",
    metadata,
    Column("id", Id, primary_key=True),
    Column("name", Word, nullable=False),
    Column("period", Word, nullable=False),  # day month
    Column("amount", Word, nullable=False),  # an exact fraction
    Column("unit", Word, nullable=False),
    Column("points", Text, nullable=False),  # JSON list of point ids
    Column("from_ms", Ms, nullable=False),
    Column("at_ms", Ms, nullable=False),
    Column("actor", Word, nullable=False),
    Column("note", Text, nullable=False),
    Column("retired_ms", Ms),
)
balance_group = Table(  # what flows in, flows out and is stored, to be held against each other
    "balance_group",
    metadata,
    Column("id", Id, primary_key=True),
    Column("name", Word, nullable=False),
    Column("body", Text, nullable=False),
    Column("at_ms", Ms, nullable=False),
    Column("actor", Word, nullable=False),
    Column("retired_ms", Ms),
)

# --- people ---------------------------------------------------------------------------

account = Table(
    "account",
    metadata,
    Column("id", Id, primary_key=True),
    Column("name", Word, nullable=False, unique=True),
    Column("role", Word, nullable=False),
    Column("password_hash", Text),  # null until its person has chosen one
    Column("created_ms", Ms, nullable=False),
    Column("disabled_ms", Ms),
)
session = Table(  # the key is the digest of what the browser keeps
    "session",
    metadata,
    Column("hash", Word, primary_key=True),
    Column("account_id", Id, ForeignKey("account.id"), nullable=False),
    Column("made_ms", Ms, nullable=False),
    Column("seen_ms", Ms, nullable=False),
    Column("ends_ms", Ms, nullable=False),
    Column("reauth_ms", Ms, nullable=False),  # when the password was last given
    Column("address", Word, nullable=False),
    **_KEYED,
)
token = Table(
    "token",
    metadata,
    Column("id", Id, primary_key=True),
    Column("hash", Word, nullable=False, unique=True),
    Column("name", Word, nullable=False),
    Column("role", Word, nullable=False),
    Column("account_id", Id, ForeignKey("account.id")),
    Column("made_ms", Ms, nullable=False),
    Column("ends_ms", Ms, nullable=False),
    Column("revoked_ms", Ms),
)
once = Table(  # links that work one time
    "once",
    metadata,
    Column("hash", Word, primary_key=True),
    Column("purpose", Word, nullable=False),  # first, password, ack, order
    Column("subject", Word, nullable=False),
    Column("account_id", Id, ForeignKey("account.id")),
    Column("ends_ms", Ms, nullable=False),
    Column("used_ms", Ms),
    **_KEYED,
)
audit = Table(
    "audit",
    metadata,
    Column("id", Id, primary_key=True),
    Column("at_ms", Ms, nullable=False),
    Column("actor", Word, nullable=False),
    Column("account_id", Id),
    Column("address", Word, nullable=False),
    Column("action", Word, nullable=False),
    Column("subject_kind", Word, nullable=False),
    Column("subject_key", Word, nullable=False),
    Column("before", Text),
    Column("after", Text),
    Column("sentence", Text, nullable=False),
    Index(None, "at_ms"),
)

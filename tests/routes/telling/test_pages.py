"""Who is told, how messages leave the house, and the log: what is stored, refused and shown."""

import csv
import io
import re
from dataclasses import replace
from pathlib import Path

import pytest
from tests.routes.alarm_world import HIGH, MINUTE, raised
from tests.routes.conftest import NOW_MS
from tests.routes.telling.conftest import ANA, GATE, Telling

from tallymast.domain.alarms.model import Standing
from tallymast.domain.people import Role
from tallymast.domain.telling.model import (
    Delivery,
    Digest,
    MessageKind,
    Occurrence,
    Try,
    TryOutcome,
)
from tallymast.keeping import Keeper
from tallymast.routes.system import system_lines
from tallymast.storage import contacts, heartbeat, messages, telling_settings

PAGE = "/setup/telling"
MAIL = {
    "host": "mail.district.example",
    "security": "starttls",
    "port": "",
    "sender": "tallymast@district.example",
    "user": "tallymast",
}
NEW = {"way": "mail", "name": "Ana Brook", "address": "ana@district.example", "level": "1"}


def in_use(telling: Telling):
    with telling.guarded.world.database.reading() as conn:
        return contacts.in_use(conn)


def test_an_empty_page_says_what_to_do_next(telling: Telling) -> None:
    page = telling.as_(Role.SUPERVISOR).get(PAGE).text
    assert "Nobody is told of alarms yet" in page
    assert "enter the mail server below, then a first contact" in page
    assert "None is sent yet" in page
    log = telling.as_(Role.SUPERVISOR).get("/alarms/messages").text
    assert "Nobody was told anything yet" in log


def test_a_contact_is_entered_changed_and_retired(telling: Telling) -> None:
    sue = telling.as_(Role.SUPERVISOR)
    form = {**NEW, "urgent": "yes", "high": "yes", "area-0": "Town"}
    assert sue.post(f"{PAGE}/contacts", data=form, follow_redirects=False).status_code == 303
    (ana,) = in_use(telling)
    assert (ana.name, ana.areas, ana.digest) == ("Ana Brook", ("Town",), Digest.NONE)
    page = sue.get(PAGE).text
    assert "Urgent and high at once; the rest not at all; Town." in page
    assert "Never told anything yet: send a trial message." in page
    one = f"{PAGE}/contacts/{ana.id}"
    sue.post(one, data={**form, "level": "3", "digest": "hour"})
    assert (in_use(telling)[0].level, in_use(telling)[0].digest) == (3, Digest.HOURLY)
    assert "urgent and high at once; the rest each hour; town." in sue.get(PAGE).text.lower()
    assert re.search(r'<option value="hour" selected>', sue.get(one).text)
    sue.post(f"{one}/retire")
    assert in_use(telling) == ()
    assert sue.get(one).status_code == 404
    said = [telling.guarded.told(f"contact.{verb}")[0].sentence for verb in ("change", "retire")]
    assert said[0].startswith("sue changed the contact Ana Brook: level 3, told urgent and high")
    assert said[1] == "sue retired the contact Ana Brook: it is told nothing more."


def test_a_mistake_in_a_contact_keeps_what_was_typed(telling: Telling) -> None:
    sue = telling.as_(Role.SUPERVISOR)
    telling.contact()
    form = {**NEW, "name": "ana brook", "address": "ana at district", "level": "2"}
    found = sue.post(f"{PAGE}/contacts", data=form)
    assert found.status_code == 422
    assert "There is a contact ana brook already" in found.text
    assert "An address for mail is written like name@example.org." in found.text
    assert "Tick at least one" in found.text
    assert 'value="ana at district"' in found.text
    assert re.search(r'<option value="2" selected>', found.text)
    assert len(in_use(telling)) == 1


def test_a_webhooks_secret_is_made_here_and_shown_once(telling: Telling) -> None:
    sue = telling.as_(Role.SUPERVISOR)
    form = {**NEW, "way": "webhook", "address": "https://pager.example/k-71", "urgent": "yes"}
    found = sue.post(f"{PAGE}/contacts", data=form)
    (one,) = in_use(telling)
    # Ours: 256 bits; RFC 2104 section 3 wants at least as many as the digest has.
    assert len(one.secret) >= 43
    assert one.secret in found.text
    for path in (PAGE, f"{PAGE}/contacts/{one.id}"):
        assert one.secret not in sue.get(path).text, path
    assert "k-71" not in sue.get(PAGE).text  # an address may hold a key: its host only
    anew = sue.post(f"{PAGE}/contacts/{one.id}/secret").text
    (after,) = in_use(telling)
    assert after.secret != one.secret
    assert after.secret in anew
    for entry in telling.guarded.told():
        told = f"{entry.sentence} {entry.before} {entry.after}"
        assert not any(hidden in told for hidden in (one.secret, after.secret, "k-71"))


def test_a_refused_form_tells_every_mistake_where_the_form_stands(telling: Telling) -> None:
    sue = telling.as_(Role.SUPERVISOR)
    wrong = {**MAIL, "port": "abc", "sender": "nonsense"}
    page = sue.post(f"{PAGE}/mail", data=wrong).text
    form = page.index('action="/setup/telling/mail#mail"')
    assert page.index("this is abc") < form < page.index('value="nonsense"')
    assert "The sender is an address like" in page[:form]
    assert page.index('id="mail"') < page.index("this is abc")  # the browser goes to #mail
    stored = sue.post(f"{PAGE}/mail", data=MAIL)
    assert str(stored.url).endswith("?done=mail#mail")
    assert stored.text.index('id="mail"') < stored.text.index("The mail server is stored")


def test_no_page_shows_everybody_an_address_that_was_refused(telling: Telling) -> None:
    world = telling.guarded.world
    said = "Messages about alarms do not reach Ana. The mail server m refused <ana@b.example>: 550"
    given = replace(world.services(), telling_trouble=lambda: said)
    assert system_lines(given) == (
        "Messages about alarms do not reach Ana. The mail server m refused the address: 550",
    )


def test_the_mail_server_is_checked_and_its_password_never_typed(telling: Telling) -> None:
    sue = telling.as_(Role.SUPERVISOR)
    wrong = sue.post(f"{PAGE}/mail", data={**MAIL, "security": "none", "port": "25"})
    assert wrong.status_code == 422
    assert "would cross the network unprotected" in wrong.text
    assert 'value="mail.district.example"' in wrong.text
    sue.post(f"{PAGE}/mail", data=MAIL)
    page = sue.get(PAGE).text
    # RFC 6409 section 3.1: submission is port 587.
    assert "mail.district.example, port 587, starttls, from tallymast@district.example" in page
    assert "which <b>is set</b>" in page
    telling.has_password = False
    page = sue.get(PAGE).text
    assert "which <b>is not set</b>" in page
    assert "no password is set: start Tallymast with TALLYMAST_SMTP_PASSWORD" in page
    (entry,) = telling.guarded.told("telling.mail")
    assert entry.sentence.startswith("sue changed the mail server: mail.district.example")


def test_links_to_a_name_nobody_answers_under_are_told(telling: Telling) -> None:
    sue = telling.as_(Role.SUPERVISOR)
    wrong = sue.post(f"{PAGE}/address", data={"url": "tallymast.example"})
    assert (wrong.status_code, "begins with https://" in wrong.text) == (422, True)
    sue.post(f"{PAGE}/address", data={"url": "https://elsewhere.example/"})
    assert "was not started to answer under that name" in sue.get(PAGE).text
    sue.post(f"{PAGE}/address", data={"url": "http://testserver"})
    page = sue.get(PAGE).text
    assert "was not started to answer" not in page
    assert "Links in messages lead to: <b>http://testserver</b>" in page


def test_a_technician_reads_and_sets_hours_but_no_contact(telling: Telling) -> None:
    tess = telling.as_(Role.TECHNICIAN)
    telling.contact()
    page = tess.get(PAGE).text
    assert "changed by a supervisor who is signed in" in page
    assert "/contacts/new" not in page
    assert tess.post(f"{PAGE}/contacts", data=NEW).status_code == 403
    tess.post(f"{PAGE}/digest", data={"hour": "5"})
    tess.post(f"{PAGE}/weekly", data={"weekday": "2", "hour": "6", "on": "yes"})
    page = tess.get(PAGE).text
    assert "from 05:00 on" in page
    assert "each Wednesday at 06:00" in page
    with telling.guarded.world.database.reading() as conn:
        assert telling_settings.load(conn).digest_hour == 5
    assert len(telling.guarded.told("telling.weekly")) == 1


def test_the_sign_of_lifes_address_is_not_shown_again(telling: Telling) -> None:
    tess = telling.as_(Role.TECHNICIAN)
    assert tess.post(f"{PAGE}/heartbeat/send").status_code == 409
    wrong = tess.post(f"{PAGE}/heartbeat", data={"url": "ftp://watch.example/x", "minutes": "5"})
    assert (wrong.status_code, "begins with https://" in wrong.text) == (422, True)
    assert 'value="ftp://watch.example/x"' in wrong.text
    tess.post(f"{PAGE}/heartbeat", data={"url": "https://watch.example/key-9", "minutes": "5"})
    tess.post(f"{PAGE}/heartbeat", data={"url": "", "minutes": "10"})
    page = tess.get(PAGE).text
    assert "It goes to <b>watch.example</b> every 10 min" in page
    assert "key-9" not in page
    with telling.guarded.world.database.reading() as conn:
        assert heartbeat.load(conn).url == "https://watch.example/key-9"
    assert telling.beats == []
    tess.post(f"{PAGE}/heartbeat/send")
    assert telling.beats == [NOW_MS]
    tess.post(f"{PAGE}/heartbeat", data={"url": "", "minutes": "10", "act": "end"})
    assert "None is sent yet" in tess.get(PAGE).text
    assert "key-9" not in str([one.after for one in telling.guarded.told("telling.heartbeat")])


def test_a_trial_is_written_once_a_minute_and_its_page_says_what_came_of_it(
    telling: Telling,
) -> None:
    tess = telling.as_(Role.TECHNICIAN)
    ana = telling.contact()
    trial = f"{PAGE}/contacts/{ana.id}/trial"
    assert "enter the mail server first" in tess.post(trial).text
    telling.as_(Role.SUPERVISOR).post(f"{PAGE}/mail", data=MAIL)
    found = tess.post(trial, follow_redirects=False)
    own = found.headers["location"]
    page = tess.get(own).text
    assert "asked for by tess" in page
    assert "waiting" in page
    again = tess.post(trial)
    assert (again.status_code, "still waits" in again.text) == (409, True)
    number = int(own.rpartition("/")[2])
    one = Try(number, 1, NOW_MS + 900, TryOutcome.REFUSED, "550 5.1.1 no such user here")
    with telling.guarded.world.database.writing() as conn:
        messages.tried(conn, one, Delivery.GIVEN_UP, NOW_MS)
    now = tess.get(f"{own}/now").text
    assert "given up" in now
    assert "550 5.1.1 no such user here" in now
    assert "hx-get" not in now  # nothing more will come of it
    with telling.guarded.world.database.reading() as conn:
        assert messages.log(conn)[0].kind is MessageKind.TEST


@pytest.fixture
def logged(telling: Telling) -> Telling:
    """Ana was told of the level, the desk waits for a second try, and one was given up."""
    telling.alarms.stands(HIGH, raised(12, "4.62 m"))
    time = Occurrence(HIGH.key, NOW_MS - 12 * MINUTE)
    ana, desk = telling.contact(ANA), telling.contact(GATE)
    handed, waits = telling.message(ana, time), telling.message(desk, time, kind="escalation")
    lost = telling.message(ana, time, kind="repeat")
    tries = (
        (handed, Delivery.HANDED, TryOutcome.HANDED, "=250 queued as 7"),
        (waits, Delivery.WAITING, TryOutcome.FAILED, "nobody answered within 10 s"),
        (lost, Delivery.GIVEN_UP, TryOutcome.REFUSED, "552 too large"),
    )
    with telling.guarded.world.database.writing() as conn:
        for one, state, outcome, said in tries:
            messages.tried(conn, Try(one.id, 1, NOW_MS, outcome, said), state, NOW_MS + 30_000)
    return telling


def test_the_log_is_narrowed_and_paged(logged: Telling) -> None:
    tess = logged.as_(Role.TECHNICIAN)
    assert tess.get("/alarms/messages").text.count("Quill Tank: Level high") == 3
    waiting = tess.get("/alarms/messages?state=waiting").text
    assert waiting.count("Quill Tank: Level high") == 1
    assert "nobody answered within 10 s" in waiting
    assert "next try" in waiting
    assert "k-71-key" not in waiting
    assert tess.get("/alarms/messages?to=1&before=3").text.count("Quill Tank: Level high") == 1
    assert "No message matches" in tess.get("/alarms/messages?state=given-up&to=2").text
    assert tess.get("/alarms/messages?state=lost").status_code == 422


def test_the_log_as_a_file_holds_no_formula_and_no_key(logged: Telling) -> None:
    found = logged.as_(Role.TECHNICIAN).get("/alarms/messages.csv?state=handed")
    head, row = csv.reader(io.StringIO(found.text))
    line = dict(zip(head, row, strict=True))
    assert line["to"] == "Ana Brook"
    assert line["about"] == "Quill Tank: Level high"
    assert line["ended UTC"] == "2026-03-08T10:00:00.000Z"
    assert line["said last"] == "'=250 queued as 7"
    assert "told/" not in found.text


def test_a_messages_own_page_shows_its_text_without_the_link(logged: Telling) -> None:
    page = logged.as_(Role.TECHNICIAN).get("/alarms/messages/1").text
    assert "not-a-real-key" not in page
    assert "https://here.example/told/…" in page
    assert "=250 queued as 7" in page
    assert logged.as_(Role.TECHNICIAN).get("/alarms/messages/99").status_code == 404
    assert logged.as_(Role.OPERATOR).get("/alarms/messages/1").status_code == 403


def test_an_alarms_page_lists_who_was_told_without_addresses(logged: Telling) -> None:
    page = logged.as_(Role.VIEWER).get(f"/alarms/{logged.alarms.number(HIGH)}").text
    assert "<b>Ana Brook</b> by mail: " in page
    assert "<b>Pager desk</b> by webhook (nobody before acknowledged)" in page
    for hidden in ("ana@district", "pager.example", "/alarms/messages"):
        assert hidden not in page


def test_old_messages_go_beside_old_polls_and_both_pages_say_when(
    logged: Telling, tmp_path: Path
) -> None:
    world = logged.guarded.world
    tess = logged.as_(Role.TECHNICIAN)
    for page in ("/alarms/messages", "/storage"):
        assert "kept for 400 days" in tess.get(page).text  # ours
    world.now_ms += 402 * 86_400_000
    keeper = Keeper(world.database, world.live, tmp_path, lambda: world.view, lambda: world.now_ms)
    keeper._give_up_if_due()
    with world.database.reading() as conn:
        assert [one.id for one in messages.log(conn)] == [3, 2, 1]  # its alarm still stands
    logged.alarms.stands(HIGH, Standing())
    world.now_ms += 3_600_000
    keeper._give_up_if_due()
    with world.database.reading() as conn:
        assert [one.id for one in messages.log(conn)] == [3, 2]  # the newest, and one that waits

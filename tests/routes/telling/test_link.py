"""The link in a message: looking changes nothing, one press acknowledges, and only that."""

from dataclasses import replace

from tests.routes.alarm_world import HATCH, HIGH, MINUTE, SILENT, B, raised
from tests.routes.conftest import NOW_MS
from tests.routes.telling.conftest import ANA, Telling

from tallymast.domain.alarms.model import AlarmState, Event, Standing
from tallymast.domain.people import Role
from tallymast.domain.telling.model import Occurrence
from tallymast.routes.passwords import OF_ACCOUNT
from tallymast.storage import alarms as stored
from tallymast.storage import contacts

TWELVE = NOW_MS - 12 * MINUTE
HIGH_AT = Occurrence(HIGH.key, TWELVE)


def calling(telling: Telling) -> str:
    """The level calls since 12 min, the hatch too; only the level is told by the link."""
    telling.alarms.stands(HIGH, raised(12, "4.62 m"))
    telling.alarms.stands(HATCH, raised(5, "open"))
    ana = telling.contact(replace(ANA, account_id=telling.guarded.ids[Role.OPERATOR]))
    return telling.link(telling.message(ana, HIGH_AT))


def standing(telling: Telling, key: str) -> Standing:
    with telling.guarded.world.database.reading() as conn:
        return stored.load(conn)[key]


def test_looking_shows_this_alarm_and_changes_nothing(telling: Telling) -> None:
    link, stranger = calling(telling), telling.as_(None)
    before = standing(telling, HIGH.key)
    found = stranger.get(link)
    for method in ("HEAD", "OPTIONS", "PUT", "DELETE"):
        assert stranger.request(method, link).status_code == 405, method
    prefetched = stranger.get(link, headers={"sec-purpose": "prefetch", "purpose": "prefetch"})
    assert (found.status_code, prefetched.status_code) == (200, 200)
    assert "Quill Tank: Level high" in found.text
    assert "4.62 m, limit 4.50\u00a0m" in found.text
    assert "12 min ago" in found.text
    assert found.text.count("<button") == 1
    assert "Acknowledge as Ana Brook" in found.text
    # Nothing of other things: the hatch calls too, and the network has a name.
    for other in ("Hatch", "Osier", "Two tanks", "/setup", "not acknowledged"):
        assert other not in found.text, other
    assert standing(telling, HIGH.key) == before
    assert telling.used_ms(link) is None
    assert telling.guarded.told("alarm.acknowledge") == []


def test_a_press_acknowledges_once_in_the_contacts_name(telling: Telling) -> None:
    link, stranger = calling(telling), telling.as_(None)
    found = stranger.post(link, follow_redirects=False)
    assert (found.status_code, found.headers["location"]) == (303, link)
    now = standing(telling, HIGH.key)
    assert (now.state, now.acked_by) == (AlarmState.ACKNOWLEDGED, "Ana Brook")
    assert standing(telling, HATCH.key).state is B
    with telling.guarded.world.database.reading() as conn:
        ((_, line),) = stored.journal(conn, 0, 2**62, alarm=HIGH.key)
    assert (line.event, line.actor, line.note) == (Event.ACKNOWLEDGED, "Ana Brook", "by link")
    (entry,) = telling.guarded.told("alarm.acknowledge")
    assert entry.sentence.startswith("Ana Brook acknowledged Quill Tank")
    assert entry.sentence.endswith("noted: by link.")
    assert (entry.actor, entry.address) == ("Ana Brook", "192.0.2.7")
    assert telling.used_ms(link) == NOW_MS
    again = stranger.post(link, follow_redirects=False)
    assert again.status_code == 200
    assert "Ana Brook acknowledged by this link" in again.text
    assert "<button" not in again.text
    assert len(telling.guarded.told("alarm.acknowledge")) == 1


def test_what_was_raised_anew_is_not_acknowledged_by_an_old_link(telling: Telling) -> None:
    link = calling(telling)
    telling.alarms.stands(HIGH, raised(2, "4.70 m"))
    found = telling.as_(None).post(link, follow_redirects=False)
    assert "Nothing waits for you" in found.text
    assert "raised anew since" in found.text
    assert standing(telling, HIGH.key).state is B
    assert telling.used_ms(link) is None


def test_of_several_those_that_wait_are_acknowledged(telling: Telling) -> None:
    silent = Occurrence(SILENT.key, NOW_MS - 30 * MINUTE)
    telling.alarms.stands(HIGH, raised(12, "4.62 m"))
    seen = replace(
        raised(30, "silent", AlarmState.ACKNOWLEDGED), acked_by="opal", acked_ms=NOW_MS - MINUTE
    )
    telling.alarms.stands(SILENT, seen)
    link = telling.link(telling.message(telling.contact(), silent, HIGH_AT))
    page = telling.as_(None).get(link).text
    assert "Osier &lt;Pond&gt;: Comm fail: acknowledged by opal already." in page
    done = telling.as_(None).post(link).text
    assert "Ana Brook acknowledged by this link" in done
    assert "Quill Tank: Level high" in done
    assert "Osier" not in done
    assert standing(telling, HIGH.key).acked_by == "Ana Brook"
    assert standing(telling, SILENT.key).acked_by == "opal"


def test_links_that_do_not_work_say_so_and_no_more(telling: Telling) -> None:
    link, stranger = calling(telling), telling.as_(None)
    unknown = stranger.get("/told/quite-another-key")
    assert (unknown.status_code, "was never one" in unknown.text) == (404, True)
    assert stranger.post("/told/quite-another-key").status_code == 404
    assert len(telling.guarded.told("link.refuse")) == 1
    telling.guarded.world.now_ms += 25 * 3_600_000
    over = stranger.get(link)
    assert (over.status_code, "works for 24 h" in over.text) == (410, True)
    assert stranger.post(link).status_code == 410
    telling.guarded.world.now_ms -= 25 * 3_600_000
    with telling.guarded.world.database.writing() as conn:
        contacts.retire(conn, 1, NOW_MS)
    barred = stranger.get(link)
    assert (barred.status_code, "no longer told of alarms" in barred.text) == (410, True)
    for found in (unknown, over, barred):
        assert "Quill" not in found.text
    assert telling.guarded.told("alarm.acknowledge") == []


def test_it_is_kept_nowhere_and_the_press_keeps_its_origin(telling: Telling) -> None:
    link, stranger = calling(telling), telling.as_(None)
    found = stranger.get(link)
    assert found.headers["cache-control"] == "no-store"
    # Fetch Standard, "append a request Origin header": under no-referrer a POST says Origin: null,
    # which plain HTTP on a local name could not tell from another site's.
    assert found.headers["referrer-policy"] == "same-origin"
    del stranger.headers["sec-fetch-site"]
    stranger.cookies.set("tallymast", "somebody's")
    foreign = stranger.post(link, headers={"origin": "http://elsewhere.example"})
    assert foreign.status_code == 403
    own = stranger.post(link, headers={"origin": "http://testserver"}, follow_redirects=False)
    assert own.status_code == 303


def test_presses_are_counted(telling: Telling) -> None:
    telling.alarms.stands(HIGH, raised(12))
    link = telling.link(telling.message(telling.contact()))  # of no alarm: nothing is used up
    stranger = telling.as_(None)
    answers = [stranger.post(link).status_code for _ in range(OF_ACCOUNT + 1)]
    assert answers == [200] * OF_ACCOUNT + [429]

"""Before you drive, without a browser: the advice, what is masked for whom, the file."""

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import NOW_MS, World, begin, words
from tests.routes.drive_world import CODES, FULL, HEALTH, HOUR, fill, judged
from tests.routes.people.conftest import Guarded, kept, populate
from tests.routes.test_pages import text_of

from tallymast import networks
from tallymast.domain import network_file
from tallymast.domain.health.comms.model import CommHealth, Returns
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.health.supply.model import SupplyHealth, Verdict
from tallymast.domain.model import GatewayState, GatewayStatus, Outcome
from tallymast.domain.people import Role
from tallymast.routes.app import create_app
from tallymast.storage import audit, episodes, network, notes
from tallymast.storage.audit import Wanted

__all__ = ["kept", "populate"]

DRIVE = "/sites/quill-tank/drive"
FILE = "/sites/quill-tank/drive.html"


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = begin(tmp_path, FULL)
    yield made
    made.database.close()


@pytest.fixture
def client(world: World) -> Iterator[TestClient]:
    with TestClient(create_app(judged(world, {"quill-tank": HEALTH}))) as made:
        yield made


def sheet(client: TestClient, path: str = DRIVE) -> str:
    answer = client.get(path)
    assert answer.status_code == 200
    return answer.text


def call_of(html: str) -> str:
    found = re.search(r'<p class="call[^>]*>.*?</p>', html, re.DOTALL)
    assert found is not None
    return text_of(found[0]).strip()


def silent(world: World, since_ms: int) -> None:
    polls = [(since_ms + n * 60_000, Outcome.NO_ANSWER, b"") for n in range(6)]
    world.polls("quill-tank", polls)


def test_a_load_that_will_be_dropped_is_the_reason_to_drive(
    world: World, client: TestClient
) -> None:
    fill(world)
    html = sheet(client)
    # 5.4 to 7.6 days from four hours ago are 5.2 to 7.4 from now: said as 5 to 8.
    assert call_of(html).endswith("load disconnect (11.5 V) in 5 to 8 days.")
    assert call_of(html).startswith("Drive: not charging since Fri 27 Feb 10:00; load")
    text = text_of(html)
    assert "12.08 V 09:59:52, 8 s before" in text
    assert "battery 33 Ah AGM, 12 V" in text
    assert "personal gas monitor" in text
    assert "19 of 20 polls answered" in text
    assert "09:57, 3 min before." in text


def test_a_site_that_returns_every_day_is_waited_for(world: World, client: TestClient) -> None:
    fill(world, NOW_MS - 6 * HOUR)
    silent(world, NOW_MS - 5 * HOUR)
    html = sheet(client)
    assert call_of(html) == "Do not drive yet: contact normally returns by 10:40."
    assert "Silent every day lately (4 days in a row) from about 03:00" in text_of(html)


def test_after_its_hour_it_is_a_reason_to_drive(world: World) -> None:
    fill(world, NOW_MS - 6 * HOUR)
    silent(world, NOW_MS - 5 * HOUR)
    health = SiteHealth(SupplyHealth(Verdict.STEADY), CommHealth(returns=Returns(4, 180, 590)))
    with TestClient(create_app(judged(world, {"quill-tank": health}))) as client:
        told = call_of(sheet(client))
    assert told.startswith("Drive: contact normally returns by 09:50 and has not; silent since")


def test_a_lost_gateway_is_where_to_start(world: World, client: TestClient) -> None:
    fill(world)
    gateway_id = world.view.gateways[0].gateway_id
    world.live.publish_gateway(
        GatewayState(gateway_id, GatewayStatus.UNREACHABLE, NOW_MS - HOUR, sentence="Refused.")
    )
    assert call_of(sheet(client)).startswith("Not at this site: start at Mast, lost since 09:00")


def test_a_calm_site_needs_nobody(world: World) -> None:
    fill(world)
    health = SiteHealth(SupplyHealth(Verdict.STEADY, nights=30), CommHealth())
    world.polls("osier-pond", [(NOW_MS - 4000, Outcome.FIRST_TRY, words(12_000, 1287, 0))])
    with TestClient(create_app(judged(world, {"osier-pond": health}))) as client:
        told = call_of(sheet(client, "/sites/osier-pond/drive"))
    assert told == "Nothing here needs a person: in contact, and nothing was found."


def test_what_is_not_known_is_said(world: World) -> None:
    with TestClient(create_app(world.services())) as client:
        text = text_of(sheet(client, "/sites/osier-pond/drive"))
    assert "Not known: it has not been asked yet." in text
    for part in ("Last contact never", "unknown", "Not judged yet", "not noted", "never read"):
        assert part in text
    assert "0.00" not in text
    assert "100 %" not in text


def test_a_site_nobody_asks_is_not_known_and_says_why(world: World, client: TestClient) -> None:
    site_id = world.plan("teal-pond").site_id
    said = {"from_ms": NOW_MS - HOUR, "reason": "Out of season.", "site_id": site_id}
    with world.database.writing() as conn:
        episodes.open_episode(conn, "not-polled", **said)  # type: ignore[arg-type]
    html = sheet(client, "/sites/teal-pond/drive")
    assert call_of(html) == "Not known: nobody asks this site; what stands here is old."
    assert "not polled; out of season" in text_of(html)


def test_no_sentence_calls_anything_safe(world: World, client: TestClient) -> None:
    fill(world)
    text = text_of(sheet(client)).lower()
    assert not any(bad in text for bad in ("safe to", "is safe", "suitable for", "health score"))


def test_cautions_and_the_missing_alarm_are_always_said(client: TestClient) -> None:
    for key in ("quill-tank", "osier-pond", "teal-pond"):
        text = text_of(sheet(client, f"/sites/{key}/drive"))
        assert "a screen is never a lock-out" in text
        assert "Tallymast raises no alarm when nobody comes back" in text
    assert "None is noted for this site; that does not mean there is none." in text


# --- locks --------------------------------------------------------------------------------


@pytest.fixture
def guarded(populate: Callable[..., Guarded]) -> Guarded:
    return populate("open")


def test_what_opens_a_lock_is_shown_to_two_roles_alone(guarded: Guarded) -> None:
    for role in (None, *Role):
        answer = guarded.as_(role).get(DRIVE)
        sees = role in (Role.TECHNICIAN, Role.SUPERVISOR)
        assert [code for code in CODES if code in answer.text] == (list(CODES) if sees else [])
        assert (answer.headers["cache-control"] == "no-store") == sees
        assert "road gate: code ••••" in text_of(answer.text)
        assert "tank hatch: ask the office" in text_of(answer.text)
        # Folded away, and left out of paper.
        folded = r'<details class="codes noprint">.*?</details>'
        outside = re.sub(folded, "", answer.text, flags=re.DOTALL)
        assert not any(code in outside for code in CODES)


def test_a_file_never_holds_what_opens_a_lock(guarded: Guarded) -> None:
    for role in Role:
        text = guarded.as_(role).get(FILE).text
        assert not any(code in text for code in CODES)
        assert "code ••••" in text


def test_a_script_with_a_technicians_token_gets_no_code(guarded: Guarded) -> None:
    client = guarded.client()
    client.headers["authorization"] = f"Bearer {guarded.token(Role.SUPERVISOR)}"
    for path in (DRIVE, FILE, "/sites/quill-tank", "/api/v1/sites", "/api/v1/sites/quill-tank"):
        text = client.get(path).text
        assert not any(code in text for code in CODES), path


def test_no_other_page_holds_a_code(guarded: Guarded) -> None:
    client = guarded.as_(Role.SUPERVISOR)
    for path in ("/", "/sites/quill-tank", "/api/v1/sites", "/gateways", "/audit"):
        answer = client.get(path)
        assert answer.status_code == 200
        assert not any(code in answer.text for code in CODES), path


def test_before_there_are_accounts_nobody_reads_a_code(client: TestClient) -> None:
    text = sheet(client)
    assert not any(code in text for code in CODES)
    assert "Technicians and supervisors who signed in see the codes" in text


def test_a_changed_code_is_written_down_without_it(world: World) -> None:
    changed = FULL.replace(CODES[0], "7716-WW")
    (told,) = networks.change_network(world.database, changed, "basin.toml")
    assert told == 'Site quill-tank, lock "road gate": its code was changed.'
    with world.database.reading() as conn:
        written = audit.search(conn, Wanted(), 100)
        kept = network_file.dump(network.load_written(conn))
    said = repr(written)
    assert "its code was changed" in said
    assert not any(code in said for code in (*CODES, "7716-WW"))
    assert "7716-WW" in kept  # the way back into a file keeps what a person wrote


# --- the file ---------------------------------------------------------------------------------


def test_the_file_needs_nothing_else(world: World, client: TestClient) -> None:
    fill(world)
    answer = client.get(FILE)
    disposition = answer.headers["content-disposition"]
    assert disposition == 'attachment; filename="drive-quill-tank-2026-03-08.html"'
    text = answer.text
    assert not re.search(r"https?://|<script|<link|src=|@import|url\(|<form|<a ", text)
    assert "A copy made 8 Mar 2026 10:00 UTC" in text
    assert "data-age" not in text  # nothing runs on where nothing is newer
    assert call_of(text).startswith("Drive:")
    assert "<svg" in text


def test_ages_count_to_the_sheets_own_instant(world: World, client: TestClient) -> None:
    fill(world)
    for path in (DRIVE, FILE):
        text = text_of(sheet(client, path))
        assert " ago" not in text
        assert "8 s before" in text
        assert "As of 8 Mar 2026 10:00 UTC (UTC+00:00); ages count to then." in text


# --- who knows I am there ------------------------------------------------------------------------


def test_who_leaves_is_written_down_and_stands_there_until_back(
    world: World, client: TestClient
) -> None:
    form = {"name": "R. Hale", "out": "09:10", "back": "13:00", "knows": "M. Okoro"}
    answer = client.post(f"{DRIVE}/leaving", data=form, follow_redirects=False)
    assert answer.headers["location"] == f"{DRIVE}#who-title"
    with world.database.reading() as conn:
        (note,) = notes.of_site(conn, world.plan("quill-tank").site_id)
    said = "R. Hale leaves for Quill Tank 09:10, back by 13:00; M. Okoro knows."
    assert (note.kind, note.text) == ("visit", said)
    assert "R. Hale left 09:10, back by 13:00; M. Okoro knows." in text_of(sheet(client))
    client.post(f"{DRIVE}/back", data={"name": "R. Hale"})
    assert "left 09:10" not in text_of(sheet(client))
    assert "R. Hale is back from Quill Tank 10:00." in text_of(sheet(client))


def test_a_leaving_that_says_nothing_is_refused(client: TestClient) -> None:
    form = {"name": "R. Hale", "out": "09:10", "back": "13:00", "knows": "M. Okoro"}
    for wrong in ({"out": "25:00"}, {"back": "soon"}, {"name": ""}, {"knows": "x"}):
        assert client.post(f"{DRIVE}/leaving", data={**form, **wrong}).status_code == 422


def test_a_desk_test_is_asked_for_by_a_plain_form(world: World, client: TestClient) -> None:
    answer = client.post(f"{DRIVE}/desk-test", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, f"{DRIVE}#desk-title")
    assert "Waits for its turn" in text_of(sheet(client))
    with world.database.reading() as conn:
        (told,) = audit.search(conn, Wanted(action="site.desk-test"), 10)
    assert told.sentence == "local asked for a desk test of Quill Tank."


def test_a_sheet_of_no_site_is_a_sentence(client: TestClient) -> None:
    assert client.get("/sites/nowhere/drive").status_code == 404
    assert client.get("/sites/nowhere/drive.html").status_code == 404

"""The guide of a site: what it shows, what it asks the poller, what it takes into the record."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.routes.commissioning.found_world import (
    FIRST,
    MISSED,
    RETRIED,
    TEXT,
    demanded,
    fits,
    heard,
    link_test,
    newest_job,
    open_record,
    row,
)
from tests.routes.conftest import NOW_MS, World, begin
from tests.routes.people.conftest import Guarded, kept, populate

from tallymast.domain.audit import SENTENCES
from tallymast.domain.model import JobState
from tallymast.domain.people import Role
from tallymast.routes.app import create_app
from tallymast.storage import jobs, proofs

__all__ = ["kept", "populate"]
GUIDE = "/sites/quill-tank/commissioning"


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = begin(tmp_path, TEXT)
    yield made
    made.database.close()


@pytest.fixture
def client(world: World) -> Iterator[TestClient]:
    with TestClient(create_app(world.services())) as made:
        yield made


def page(client: TestClient, path: str = GUIDE) -> str:
    found = client.get(path)
    assert found.status_code == 200, found.text
    return " ".join(found.text.split())


def detail(world: World) -> dict[str, object]:
    with world.database.reading() as conn:
        proof = proofs.open_of(conn, world.plan("quill-tank").site_id)
    assert proof is not None
    return dict(proof.detail)


def test_a_new_site_begins_with_its_switches(client: TestClient) -> None:
    said = page(client)
    assert "Next, a: Address." in said
    # 19 = 16 + 2 + 1, the first position weighs least.
    assert "ON side up: 1 ON, 2 ON, 3 OFF, 4 OFF, 5 ON, 6 OFF, 7 OFF, 8 OFF" in said
    assert "16 + 2 + 1 = 19" in said
    for href in ("/sites/quill-tank/check-out", "/sites/quill-tank/label", "/setup/profiles/tank"):
        assert f'href="{href}"' in said
    assert "a screen is never a lock-out" in said
    assert "No record is open" in said


def test_others_at_the_address_are_told_apart(client: TestClient) -> None:
    said = page(client)
    assert "Old Tank, retired, had this address behind Marrowdun mast" in said
    assert "Scarp Drip (Long Scarp mast)" in said
    assert "that cannot be" not in said


def test_an_address_the_switches_do_not_reach_is_said_first(client: TestClient) -> None:
    # Four positions and one added by the station: 1 to 16; unit 30 is out of reach.
    said = page(client, "/sites/booster/commissioning")
    assert "Unit address 30 cannot be set with 4 switches" in said
    assert "cannot be set</span>" in said
    assert "is not polled" in said


def test_asking_an_address_is_a_scan_of_that_one_with_the_site_s_own_reads(
    world: World, client: TestClient
) -> None:
    found = client.post(f"{GUIDE}/duplicate", data={"station": "off"}, follow_redirects=False)
    assert (found.status_code, found.headers["location"]) == (303, f"{GUIDE}#address")
    job = newest_job(world, "scan")
    assert job.gateway_id == world.view.gateways[0].gateway_id
    assert job.params["units"] == [19]
    assert job.params["profiles"] == {"tank": [["input", 0, 2]]}
    assert job.params["timeout_s"] == 2.0
    said = page(client)
    assert "unit 19 is asked; polling goes on meanwhile" in said
    assert 'hx-get="/sites/quill-tank/commissioning/steps"' in said
    again = client.post(f"{GUIDE}/duplicate", data={"station": "off"})
    assert again.status_code == 409
    assert "A scan goes on behind Marrowdun mast" in again.text


def test_what_was_heard_is_said_by_whether_the_station_is_on(
    world: World, client: TestClient
) -> None:
    for station, what, said in (
        ("off", "silence", "Nobody answers at unit 19 while the new station is off"),
        ("off", "answer", "Do not switch the new station on"),
        ("on", "garbled", "two stations answer at once, or there is noise"),
        ("on", "silence", "Nothing is heard at unit 19 yet"),
        ("on", "refusal", "refuses what was asked"),
    ):
        client.post(f"{GUIDE}/duplicate", data={"station": station})
        heard(world, [row(19, what, site="quill-tank")])
        assert said in page(client), (station, what)


def test_finding_tries_every_profile_the_configured_one_first(
    world: World, client: TestClient
) -> None:
    client.post(f"{GUIDE}/find")
    job = newest_job(world, "scan")
    assert job.params["order"] == ["tank", "pump"]
    assert sorted(job.params["profiles"]["pump"]) == [["discrete", 0, 1], ["holding", 900, 1]]
    profiles = fits(tank=(1, 1), pump=(2, 1))
    heard(world, [row(19, "answer", site="quill-tank", profiles=profiles)])
    said = page(client)
    assert "Tank fits, as configured: 1 of 1 block, 2 registers." in said
    assert "In part, by blocks: Pump &lt;two&gt; 1 of 2." in said
    assert "found</span>" in said


def test_another_map_than_the_configured_one_is_to_be_looked_at(
    world: World, client: TestClient
) -> None:
    client.post(f"{GUIDE}/find")
    profiles = fits(tank=(1, 0), pump=(2, 2))
    heard(world, [row(19, "refusal", site="quill-tank", profiles=profiles)])
    said = page(client)
    assert "found, other map</span>" in said
    assert "Configured as tank, which does not fit whole" in said


def test_a_scan_of_the_whole_gateway_counts_for_the_site_too(
    world: World, client: TestClient
) -> None:
    client.post("/gateways/mast/find", data={"first": 10, "last": 30, "which": "all"})
    heard(world, [row(19, "answer", site="quill-tank", profiles=fits(tank=(1, 1)))])
    assert "Tank fits, as configured" in page(client)


def test_a_link_test_is_asked_for_with_so_many_polls(world: World, client: TestClient) -> None:
    client.post(f"{GUIDE}/link", data={"polls": "100"})
    job = newest_job(world, "link-test")
    assert (job.params, job.site_id) == ({"polls": 100}, world.plan("quill-tank").site_id)
    assert "Waits for its turn on the channel." in page(client)
    assert client.post(f"{GUIDE}/link", data={"polls": "50"}).status_code == 409
    client.post(f"{GUIDE}/link/stop")
    with world.database.reading() as conn:
        assert jobs.to_stop(conn) == {job.id}


@pytest.mark.parametrize(("path", "polls"), [(GUIDE, "7"), ("/sites/booster/commissioning", "50")])
def test_a_test_that_cannot_be_made_is_refused(client: TestClient, path: str, polls: str) -> None:
    found = client.post(f"{path}/link", data={"polls": polls})
    assert found.status_code in (409, 422)
    assert "20, 50, 100, 200" in found.text or "is not polled" in found.text


def test_a_link_test_is_judged_from_the_polls_themselves(world: World, client: TestClient) -> None:
    link_test(world, [FIRST] * 48 + [RETRIED, MISSED], ms=[100.0] * 47 + [500.0] * 3)
    said = page(client)
    # By hand: 96 % at the first try, 98 % answered and one lost of 50, no two misses in a row;
    # of 49 answers the 95th percentile lies at place 45.6, between 100 and 100: no spread.
    assert "good:" in said
    assert "48 of 50 polls (95 % sure" in said  # no per cent of fewer than 100 polls
    assert "half within 100" in said
    assert "least \u221282, middle \u221281, most \u221280" in said
    assert "1 without an answer, 0 garbled" in said
    assert "0 to 500 ms; 1 after a retry, 1 missed" in said
    assert "a test of 200 tells more" in said


def test_while_it_goes_on_its_polls_are_counted(world: World, client: TestClient) -> None:
    link_test(world, [FIRST] * 12, wanted=50, state=JobState.RUNNING, ago_ms=14_000)
    said = page(client)
    assert "12 of 50 polls: 12 answered so far." in said
    assert "Stop the link test" in said
    assert "What was looked at" not in said


def test_earlier_tests_stand_beside_it(world: World, client: TestClient) -> None:
    link_test(world, [RETRIED, FIRST] * 50, ago_ms=9_000_000)
    link_test(world, [FIRST] * 100)
    said = page(client)
    assert "50 of 100 polls, 50.0" in said
    assert "the newest beside it: better, beyond chance" in said


def test_a_link_through_a_repeater_is_held_against_the_repeater(
    world: World, client: TestClient
) -> None:
    path = "/sites/far-lateral/commissioning"
    assert "Saddle Repeater carries this site and was not asked" in page(client, path)
    link_test(world, [FIRST] * 9 + [RETRIED], key="saddle")
    world.now_ms += 120_000  # the last day's figures are a minute old at most
    said = page(client, path)
    assert (
        "Saddle Repeater, which carries this site, answered 9 of 10 polls of the last 24 h" in said
    )
    demanded(world, "saddle", [FIRST, *[MISSED] * 80], [90.0] * 81, from_ms=NOW_MS - 100_000)
    assert "Saddle Repeater, which carries this site, is silent now" in page(client, path)


def test_what_steps_find_is_taken_into_the_open_record(world: World, client: TestClient) -> None:
    refused = client.post(f"{GUIDE}/keep", data={"what": "switches"})
    assert refused.status_code == 409
    assert "begin one first" in refused.text
    open_record(world)
    assert client.post(f"{GUIDE}/keep", data={"what": "link"}).status_code == 409
    client.post(f"{GUIDE}/find")
    heard(world, [row(19, "answer", site="quill-tank", profiles=fits(tank=(1, 1)))])
    link_test(world, [FIRST] * 19 + [MISSED])
    for what in ("switches", "scan", "link"):
        assert client.post(f"{GUIDE}/keep", data={"what": what}).status_code == 200
    found = detail(world)
    switches, scan, link = found["switches"], found["scan"], found["link"]
    assert isinstance(switches, dict)
    assert isinstance(scan, dict)
    assert isinstance(link, dict)
    assert (switches["unit"], switches["positions"][4]) == (19, [5, 16, True])
    assert scan["sentence"].startswith("Unit 19: answers, 84\xa0ms. Tank fits, as configured")
    assert (link["polls"], link["first_try"], link["no_answer"]) == (20, 19, 1)
    assert link["at_ms"] == NOW_MS
    assert "At the first try: 19 of 20 polls (95\xa0% sure" in link["sentence"]
    said = page(client)
    assert "recorded</span>" in said
    assert "There already; this replaces it." in said


def test_all_is_done_when_the_record_is_signed(world: World, client: TestClient) -> None:
    proof = open_record(world)
    client.post(f"{GUIDE}/keep", data={"what": "switches"})
    client.post(f"{GUIDE}/find")
    heard(world, [row(19, "answer", site="quill-tank", profiles=fits(tank=(1, 1)))])
    link_test(world, [FIRST] * 50)
    assert "Next, d: Point check-out." in page(client)
    with world.database.writing() as conn:
        conn.exec_driver_sql(
            "UPDATE proof SET state = 'signed', signed_name = 'Tess', signed_ms = ? WHERE id = ?",
            (NOW_MS, proof.id),
        )
    said = page(client)
    assert "All steps are done." in said
    assert f'by Tess: <a href="/proofs/{proof.id}">' in said


def test_the_label_says_what_it_has_to(client: TestClient) -> None:
    said = page(client, "/sites/quill-tank/label")
    for text in ("Quill Tank", "quill-tank", "Marrowdun mast", "19", "Tank", "8 Mar 2026"):
        assert text in said
    assert "1 ON, 2 ON, 3 OFF, 4 OFF, 5 ON, 6 OFF, 7 OFF, 8 OFF" in said
    assert "Ombrel Basin Water" in said
    assert "cutmark" not in said
    assert "cutmark" in page(client, "/sites/quill-tank/label?paper=plain")


def test_who_may_what_on_the_guide(populate: Callable[..., Guarded]) -> None:
    guarded = populate()
    viewer, operator, technician = (
        page(guarded.as_(role)) for role in (Role.VIEWER, Role.OPERATOR, Role.TECHNICIAN)
    )
    assert "A link test takes the role operator" in viewer
    assert "Test the link" in operator
    assert "The new station is off: ask" not in operator
    assert "The new station is off: ask" in technician
    site = guarded.as_(Role.OPERATOR).get("/sites/quill-tank").text
    assert f'href="{GUIDE}"' in site
    assert f'href="{GUIDE}"' not in guarded.as_(Role.VIEWER).get("/sites/quill-tank").text


def test_asking_is_written_down(populate: Callable[..., Guarded]) -> None:
    guarded = populate()
    guarded.as_(Role.TECHNICIAN).post(f"{GUIDE}/duplicate", data={"station": "on"})
    (entry,) = guarded.told("gateway.scan")
    assert "tess had unit addresses behind Marrowdun mast asked for stations: 19." in entry.sentence
    assert "gateway.scan" in SENTENCES

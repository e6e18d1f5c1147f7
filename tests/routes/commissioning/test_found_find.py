"""Finding stations behind a gateway: what is asked, how long it takes, who was found."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.routes.commissioning.found_world import TEXT, fits, heard, newest_job, row
from tests.routes.conftest import World, begin

from tallymast.domain.model import JobState
from tallymast.routes.app import create_app
from tallymast.storage import jobs

FIND = "/gateways/mast/find"


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = begin(tmp_path, TEXT)
    yield made
    made.database.close()


@pytest.fixture
def client(world: World) -> Iterator[TestClient]:
    with TestClient(create_app(world.services())) as made:
        yield made


def page(client: TestClient, path: str = FIND) -> str:
    found = client.get(path)
    assert found.status_code == 200, found.text
    return " ".join(found.text.split())


def test_before_it_begins_it_says_how_long_it_takes(client: TestClient) -> None:
    # 1 to 60 without the configured 8, 19, 30 and 40: 56 x (2.0 + 0.1) s at a fifth = 588 s.
    # Three blocks of two profiles, one of them asked already: 2 x 2.1 s at a fifth = 21 s.
    said = page(client)
    assert "56 addresses" in said
    assert "at most 9 min where nobody answers" in said
    assert "up to 21 s more for each station found, while 2 profiles are tried on it" in said
    assert "polling goes on" in said


def test_the_length_follows_the_form(client: TestClient) -> None:
    # 2 x (1.0 + 0.1) s at a fifth = 11 s.
    said = page(client, f"{FIND}/length?first=2&last=3&which=all&timeout=1")
    assert "2 addresses (2 to 3): at most 11 s where nobody answers" in said
    assert "go from 1 to 247" in page(client, f"{FIND}/length?first=0&last=3")


def test_a_scan_is_asked_for_with_its_addresses_and_the_reads_of_every_profile(
    world: World, client: TestClient
) -> None:
    form = {"first": 7, "last": 10, "which": "free", "timeout": "3.5"}
    found = client.post(FIND, data=form, follow_redirects=False)
    assert found.headers["location"] == f"{FIND}#scan"
    params = newest_job(world, "scan").params
    assert params["units"] == [7, 9, 10]  # 8 is Far Lateral's
    assert params["timeout_s"] == 3.5
    assert sorted(params["profiles"]) == ["pump", "tank"]
    assert params["order"] == ["tank", "pump"]  # three sites in use are tanks, one a pump
    assert "waits for its turn" in page(client)


def test_what_was_typed_wrong_stays_typed(client: TestClient) -> None:
    form = {"first": 9, "last": 8, "which": "all", "timeout": "2"}
    said = client.post(FIND, data=form).text
    assert "9 to 8 is no range of them" in said
    assert 'name="first" type="number" inputmode="numeric" min="1" max="247" value="9"' in said


def test_what_was_found_is_told_while_it_goes_on(world: World, client: TestClient) -> None:
    client.post(FIND, data={"first": 1, "last": 60, "which": "all"})
    heard(
        world,
        [
            row(8, "answer", site="far-lateral", profiles=fits(tank=(1, 1))),
            row(12, "garbled"),
            row(19, "silence", site="quill-tank"),
            row(20, "silence"),
            row(33, "answer", profiles=fits(tank=(1, 1), pump=(2, 2))),
            row(34, "refusal", profiles=fits(tank=(1, 0), pump=(2, 0))),
        ],
        JobState.RUNNING,
    )
    said = page(client)
    assert "6 of 60 addresses asked: 2 answer, 1 refuses, 1 garbled, 2 silent." in said
    assert "Something was heard at 3 addresses where nobody is configured" in said
    assert "Tank fits, as configured: 1 of 1 block, 2 registers." in said
    assert "Configured here and not heard at one try." in said
    assert "Two stations answer at once, or noise" in said
    assert "No profile fits: it refuses what was asked (exception 02)." in said
    assert 'href="/setup/sites/new?gateway=mast&amp;unit=34"' in said
    assert ">20</th>" not in said  # silent, and nobody is configured there
    assert 'hx-get="/gateways/mast/find/rows"' in said
    assert "Stop the scan" in page(client, f"{FIND}/rows")


def test_a_stranger_is_entered_with_the_profile_that_fits_best(
    world: World, client: TestClient
) -> None:
    client.post(FIND, data={"first": 33, "last": 33})
    heard(world, [row(33, "answer", profiles=fits(tank=(1, 1), pump=(2, 1)))])
    said = page(client)
    assert 'href="/setup/sites/new?gateway=mast&amp;unit=33&amp;profile=tank"' in said
    assert said.index("Tank fits: 1 of 1 block") < said.index(
        "In part, by blocks: Pump &lt;two&gt; 1 of 2."
    )
    assert "done</span>" in said
    assert 'hx-get="/gateways/mast/find/rows"' not in said


def test_who_was_a_stranger_then_may_be_entered_by_now(world: World, client: TestClient) -> None:
    client.post(FIND, data={"first": 19, "last": 19, "which": "all"})
    heard(world, [row(19, "answer", profiles=fits(tank=(1, 1)))])  # nobody was configured then
    said = page(client)
    assert 'href="/sites/quill-tank/commissioning"' in said
    assert "a stranger" not in said
    assert "Enter it as a new site" not in said


def test_a_scan_is_stopped_and_keeps_what_it_found(world: World, client: TestClient) -> None:
    client.post(FIND, data={"first": 1, "last": 60})
    job = newest_job(world, "scan")
    client.post(f"{FIND}/stop")
    with world.database.reading() as conn:
        assert jobs.to_stop(conn) == {job.id}
    with world.database.writing() as conn:
        jobs.add_rows(conn, job.id, [(0, row(1, "silence"))])
        jobs.update(conn, job.id, JobState.FAILED, 0.1, "It was stopped.", world.now_ms)
    said = page(client)
    assert "ended early</span>" in said
    assert "It was stopped." in said
    assert "1 of 56 addresses asked" in said


def test_a_scan_stopped_by_hand_is_not_said_to_be_done(world: World, client: TestClient) -> None:
    client.post(FIND, data={"first": 1, "last": 60})
    heard(world, [row(1, "silence")], JobState.DONE)
    said = page(client)
    assert "stopped</span>" in said
    assert "done</span>" not in said


def test_while_one_goes_on_no_second_begins(client: TestClient) -> None:
    client.post(FIND, data={"first": 1, "last": 60})
    second = client.post(FIND, data={"first": 1, "last": 60})
    assert second.status_code == 409
    assert "wait for its end, or stop it first" in second.text
    assert client.post("/gateways/scarp/find", data={"first": 1, "last": 6}).status_code == 200


def test_nobody_heard_says_where_to_look(world: World, client: TestClient) -> None:
    assert "Nobody has looked for stations behind this gateway yet." in page(client)
    client.post(FIND, data={"first": 1, "last": 1})
    heard(world, [row(1, "silence")])
    assert "Nobody was heard. Power, antenna, line speed and parity" in page(client)


def test_the_gateway_page_leads_there(client: TestClient) -> None:
    assert f'href="{FIND}"' in page(client, "/gateways/mast")

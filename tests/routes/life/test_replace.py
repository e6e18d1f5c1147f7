"""A station is replaced: the old one ends, the count goes on, and nothing is made up."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import NOW_MS, World, begin
from tests.routes.life.world import COUNTING, MINUTE, answered, fit
from tests.routes.test_pages import text_of

from tallymast.routes.app import create_app
from tallymast.storage import audit, count_events, hardware, jobs, notes, proofs
from tallymast.storage.audit import Wanted
from tallymast.storage.count_events import CountEvent

HERE = "/sites/quill-tank/replace"


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = begin(tmp_path, COUNTING)
    yield made
    made.database.close()


@pytest.fixture
def client(world: World) -> Iterator[TestClient]:
    with TestClient(create_app(world.services())) as made:
        yield made


def event(world: World) -> CountEvent:
    with world.database.reading() as conn:
        ((tag, kept),) = count_events.of_site(conn, world.plan("quill-tank").site_id)
    assert tag == "TOT"
    return kept


def test_the_count_goes_on_from_the_record(world: World, client: TestClient) -> None:
    fit(world, "station", "Meter station", serial="MB-1")
    answered(world, (40, 1284, 48_090), (30, 1284, 48_112), (5, 1284, 7), (2, 1284, 12))
    # Exchanged at 09:40 of this UTC network: the old one's last reading is that of 09:30.
    typed = {"at": "2026-03-08T09:40", "serial": "MB-2", "version": "3.13", "old": "store"}
    looked = text_of(client.post(HERE, data={**typed, "step": "look"}).text)
    assert "add 48 105 to the new register to continue the old count" in looked
    assert client.post(HERE, data=typed, follow_redirects=False).status_code == 303
    kept = event(world)
    assert (kept.kind, kept.before, kept.after, kept.unknown) == ("replaced", 48_112, 7, None)
    assert kept.at_ms == NOW_MS - 20 * MINUTE
    assert kept.source == "record"


def test_the_old_station_ends_and_the_new_one_stands(world: World, client: TestClient) -> None:
    old = fit(world, "station", "Meter station", serial="MB-1")
    typed = {"serial": "MB-2", "name": "Meter station", "old": "store", "old_place": "shelf B"}
    client.post(HERE, data=typed)
    with world.database.reading() as conn:
        site_id = world.plan("quill-tank").site_id
        new = hardware.station_of(conn, site_id)
        (spare,) = hardware.in_store(conn)
        before = hardware.of_id(conn, old.id)
        (note,) = notes.of_site(conn, site_id)
        (told,) = audit.search(conn, Wanted(action="site.replace-station"), 10)
    assert new is not None
    assert (new.serial, new.from_ms) == ("MB-2", NOW_MS)
    assert (spare.serial, spare.place) == ("MB-1", "shelf B")
    assert before is not None
    assert before.to_ms == NOW_MS
    assert note.kind == "repair"
    assert note.text.startswith("Station replaced: Meter station MB-1 out, Meter station MB-2 in.")
    assert told.sentence == "local replaced the station of Quill Tank by Meter station MB-2."


def test_a_button_that_is_pressed_twice_replaces_once(world: World, client: TestClient) -> None:
    for expected in (303, 409):
        typed = {"serial": "MB-2", "at": "2026-03-08T09:40"}
        answer = client.post(HERE, data=typed, follow_redirects=False)
        assert answer.status_code == expected
    with world.database.reading() as conn:
        assert len(hardware.of_site(conn, world.plan("quill-tank").site_id)) == 1


def test_what_was_proven_was_proven_with_another_station(world: World, client: TestClient) -> None:
    old = fit(world, "station", serial="MB-1")
    site_id = world.plan("quill-tank").site_id
    with world.database.writing() as conn:
        proof = proofs.begin(conn, site_id, "repair", actor="me", at_ms=0, part_id=old.id)
    client.post(HERE, data={"serial": "MB-2"})
    with world.database.reading() as conn:
        new = hardware.station_of(conn, site_id)
    assert new is not None
    assert new.id != proof.part_id


def test_a_station_of_the_store_is_taken_once(world: World, client: TestClient) -> None:
    spare = fit(world, "station", "Meter station", key=None, serial="MB-9", place="shelf B")
    assert "MB-9, shelf B" in text_of(client.get(HERE).text)
    for expected in (303, 409):
        answer = client.post(HERE, data={"part": str(spare.id)}, follow_redirects=False)
        assert answer.status_code == expected
    with world.database.reading() as conn:
        found = hardware.station_of(conn, world.plan("quill-tank").site_id)
        assert hardware.in_store(conn) == []
    assert found is not None
    assert found.serial == "MB-9"


def test_what_nobody_read_stays_unknown(world: World, client: TestClient) -> None:
    client.post(HERE, data={"serial": "MB-2"})
    kept = event(world)
    assert (kept.before, kept.after, kept.unknown) == (None, None, None)


def test_typed_readings_count_before_those_on_record(world: World, client: TestClient) -> None:
    answered(world, (30, 1284, 48_112))
    typed = {"serial": "MB-2", "before-TOT": "48 120", "after-TOT": "0", "unknown-TOT": "35"}
    client.post(HERE, data=typed)
    kept = event(world)
    assert (kept.before, kept.after, kept.unknown, kept.source) == (48_120, 0, 35, "typed")
    assert kept.add == 48_155  # 48 120 - 0 + 35, by hand


def test_a_reading_that_may_be_the_old_stations_is_doubted(
    world: World, client: TestClient
) -> None:
    answered(world, (30, 1284, 48_112), (2, 1284, 48_130))
    typed = {"at": "2026-03-08T09:40", "serial": "MB-2", "step": "look"}
    html = client.post(HERE, data=typed).text
    assert "is that reading still the old" in text_of(html)
    assert 'value="MB-2"' in html
    del typed["step"]
    assert client.post(HERE, data=typed).status_code == 422
    stored = client.post(HERE, data={**typed, "sure": "yes"})
    assert "take 18 from the new register" in text_of(stored.text)
    assert event(world).add == -18  # 48 112 - 48 130


def test_a_poll_is_asked_for_and_nothing_typed_is_lost(world: World, client: TestClient) -> None:
    answer = client.post(HERE, data={"serial": "MB-2", "step": "poll"})
    assert 'value="MB-2"' in answer.text
    assert "A poll is asked for" in answer.text
    with world.database.reading() as conn:
        assert [one.kind for one in jobs.waiting(conn, ("poll",))] == ["poll"]
        assert hardware.everything(conn) == []


def test_a_mistake_stores_nothing(world: World, client: TestClient) -> None:
    for fields, said in (
        ({}, "Say which station comes in"),
        ({"serial": "MB-2", "before-TOT": "many"}, "many is not a number"),
        ({"serial": "MB-2", "after-TOT": "-3"}, "never below 0"),
        ({"serial": "MB-2", "at": "noon"}, "noon is not a time"),
        ({"serial": "MB-2", "at": "2025-03-08T09:40"}, "within a week"),
        ({"serial": "MB-2", "at": "2026-03-08T18:00"}, "within a week"),
    ):
        answer = client.post(HERE, data=fields)
        assert answer.status_code == 422
        assert said in text_of(answer.text)
    with world.database.reading() as conn:
        assert hardware.everything(conn) == []
        assert count_events.of_site(conn, world.plan("quill-tank").site_id) == []

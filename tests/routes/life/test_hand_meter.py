"""A hand meter beside a station: kept, doubted, and set only after the change was shown."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import NOW_MS, World, begin
from tests.routes.life.world import COUNTING, MINUTE, answered, show_stored
from tests.routes.people.conftest import Guarded, kept, populate
from tests.routes.test_pages import text_of

from tallymast.domain.people import Role
from tallymast.routes.app import create_app
from tallymast.storage import hand_readings, network
from tallymast.storage.hand_readings import HandReading

__all__ = ["kept", "populate"]

HERE = "/sites/quill-tank/hand-meter"
SHOWN = {"shown": "12.84", "shown_ms": str(NOW_MS - MINUTE)}


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = begin(tmp_path, COUNTING)
    answered(made, (1, 1284, 7))
    yield made
    made.database.close()


@pytest.fixture
def client(world: World) -> Iterator[TestClient]:
    with TestClient(create_app(world.services())) as made:
        yield made


def read(world: World) -> list[HandReading]:
    with world.database.reading() as conn:
        return hand_readings.of_site(conn, world.plan("quill-tank").site_id)


def offset(world: World) -> float | None:
    with world.database.reading() as conn:
        sites = network.load_written(conn)["site"]
    (site,) = [one for one in sites if one["key"] == "quill-tank"]
    found = site["supply"].get("meter_offset_v")
    return None if found is None else float(found)


def test_the_page_shows_the_stations_value_with_its_age(client: TestClient) -> None:
    html = client.get(HERE).text
    assert "12.84 V, read 09:59:00, 1 min ago" in text_of(html)
    assert f'name="shown_ms" value="{NOW_MS - MINUTE}"' in html


def test_a_reading_is_kept_without_touching_the_offset(world: World, client: TestClient) -> None:
    client.post(HERE, data={**SHOWN, "hand": "12.80", "step": "keep"})
    (one,) = read(world)
    assert (one.hand, one.shown, one.offset_before, one.offset_after) == (12.8, 12.84, 0.0, 0.0)
    assert offset(world) is None
    assert "shows 0.04 V too much" in text_of(client.get("/sites/quill-tank").text)


def test_the_offset_is_shown_before_it_is_set(world: World, client: TestClient) -> None:
    fields = {**SHOWN, "hand": "12.96", "note": "clamp at the posts"}
    shown = client.post(f"{HERE}/offset", data=fields)
    assert offset(world) is None
    assert read(world) == []
    assert "Voltmeter of Quill Tank" in text_of(shown.text)
    assert 'name="hand" value="12.96"' in shown.text
    client.post(f"{HERE}/offset", data={**fields, "step": "store"})
    # shown - hand = 12.84 - 12.96: the station shows 0.12 V too little.
    assert offset(world) == pytest.approx(-0.12)
    (one,) = read(world)
    assert (one.offset_before, one.offset_after) == (0.0, pytest.approx(-0.12))
    assert one.revision_id is not None
    assert (one.note, one.actor) == ("clamp at the posts", "local")


def test_as_found_and_as_left_are_told_of_a_second_offset(world: World, client: TestClient) -> None:
    client.post(f"{HERE}/offset", data={**SHOWN, "hand": "12.96", "step": "store"})
    show_stored(world)
    client.post(f"{HERE}/offset", data={**SHOWN, "hand": "12.90", "step": "store"})
    # As found: 12.84 + 0.12 - 12.90 = +0.06 V; then 12.84 - 12.90 = -0.06 is the new offset.
    text = text_of(client.get(HERE).text)
    assert "+0.06 V with the offset \u22120.12 V" in text
    assert "0.00 V with the offset \u22120.06 V" in text


def test_a_large_difference_is_measured_again_first(world: World, client: TestClient) -> None:
    fields = {**SHOWN, "hand": "12.0", "step": "store"}
    answer = client.post(f"{HERE}/offset", data=fields)
    assert answer.status_code == 422
    assert "measure again" in text_of(answer.text)
    assert 'value="12.0"' in answer.text
    assert offset(world) is None
    client.post(f"{HERE}/offset", data={**fields, "sure": "yes"})
    assert offset(world) == pytest.approx(0.84)


def test_a_mistake_keeps_nothing_but_what_was_typed(world: World, client: TestClient) -> None:
    old = {"shown": "12.84", "shown_ms": str(NOW_MS - 20 * MINUTE), "hand": "12.9"}
    for fields, said in (
        ({**SHOWN, "hand": ""}, "type what it reads"),
        ({**SHOWN, "hand": "twelve"}, "twelve is not a number"),
        ({"hand": "12.9"}, "poll it first"),
        (old, "20 min old"),
        ({**SHOWN, "hand": "0.2"}, "outside 1 to 100 V"),
    ):
        for path in (HERE, f"{HERE}/offset"):
            answer = client.post(path, data={**fields, "step": "keep"})
            assert answer.status_code == 422
            assert said in text_of(answer.text)
    assert read(world) == []


def test_a_site_whose_supply_is_not_entered_says_so(world: World, client: TestClient) -> None:
    answered(world, (1, 1284, 7), key="osier-pond")
    fields = {**SHOWN, "hand": "12.80", "step": "store"}
    answer = client.post("/sites/osier-pond/hand-meter/offset", data=fields)
    assert answer.status_code == 409
    assert "enter it in Setup first" in text_of(answer.text)


def test_setting_the_offset_takes_the_right_to_change_the_network(
    world: World, populate: object
) -> None:
    guarded: Guarded = populate()  # type: ignore[operator]
    fields = {**SHOWN, "hand": "12.80"}
    operator = guarded.as_(Role.OPERATOR)
    assert operator.post(f"{HERE}/offset", data=fields).status_code == 403
    kept_one = operator.post(HERE, data={**fields, "step": "keep"}, follow_redirects=False)
    assert kept_one.status_code == 303
    assert guarded.told("hand.read")[0].sentence == (
        "opal read 12.80 V by hand at Quill Tank; the station showed 12.84 V."
    )

"""Seasons end polling once each, by the calendar, and never against a person."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from tests.routes.conftest import NETWORK, World, begin

from tallymast import plan_watch
from tallymast.domain import network_file
from tallymast.domain.model import Act
from tallymast.live import Live
from tallymast.routes.services import NetworkView
from tallymast.seasons import LOOK_EVERY_MS, Seasons
from tallymast.storage import episodes, network
from tallymast.storage.episodes import Episode

# In UTC, so that instants can be read off the calendar.
POND = NETWORK.replace(
    'key = "osier-pond"', 'key = "osier-pond"\nseason = { out_from = "11-01", back = "04-15" }'
)
HOUR = 3_600_000


def ms(*when: int) -> int:
    return round(datetime(*when, tzinfo=UTC).timestamp() * 1000)  # type: ignore[misc,arg-type]


BEGIN, BACK = ms(2026, 11, 1), ms(2027, 4, 15)


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = begin(tmp_path, POND)
    yield made
    made.database.close()


@pytest.fixture
def seasons(world: World) -> Seasons:
    return Seasons(world.database)


def told(world: World) -> list[Episode]:
    with world.database.reading() as conn:
        return episodes.between(conn, 0, 2**60, site_id=world.plan("osier-pond").site_id)


def end(world: World, at_ms: int, kind: str = "not-polled") -> None:
    """As a person has the site polled again, or as the plan's watch ends what is over."""
    with world.database.writing() as conn:
        site_id = world.plan("osier-pond").site_id
        assert episodes.close_episode(conn, kind, to_ms=at_ms, site_id=site_id)


def act(world: World, kind: str, from_ms: int, until_ms: int) -> None:
    with world.database.writing() as conn:
        episodes.open_episode(
            conn,
            kind,
            site_id=world.plan("osier-pond").site_id,
            from_ms=from_ms,
            planned_end_ms=until_ms,
            reason="Gate is repaired.",
            actor="m.okoro",
        )


def rewrite(world: World, old: str, new: str, at_ms: int) -> None:
    text = POND.replace(old, new)
    assert text != POND
    written, whole = network_file.read(text, "later.toml")
    with world.database.writing() as conn:
        network.store_network(conn, written, whole, actor="me", source="form", at_ms=at_ms)


def test_a_season_begins_with_its_planned_end(world: World, seasons: Seasons) -> None:
    assert seasons.look(BEGIN - 1) == 0
    assert seasons.look(BEGIN + LOOK_EVERY_MS) == 1
    (one,) = told(world)
    assert (one.kind, one.from_ms, one.planned_end_ms) == (
        "not-polled",
        BEGIN + LOOK_EVERY_MS,
        BACK,
    )
    assert one.actor == ""
    assert one.reason == "Out of season."


def test_it_begins_once_however_often_it_is_looked_at(world: World, seasons: Seasons) -> None:
    for n in range(5):
        seasons.look(BEGIN + n * HOUR)
    Seasons(world.database).look(BEGIN + 6 * HOUR)  # after a restart
    assert len(told(world)) == 1


def test_who_ends_it_early_is_right_until_the_next_season(world: World, seasons: Seasons) -> None:
    seasons.look(BEGIN)
    end(world, BEGIN + HOUR)
    for at_ms in (BEGIN + 2 * HOUR, ms(2027, 2, 1), BACK - 1):
        assert seasons.look(at_ms) == 0
    assert seasons.look(ms(2027, 11, 1)) == 1
    assert len(told(world)) == 2


def test_after_a_whole_season_the_next_one_begins_again(world: World, seasons: Seasons) -> None:
    seasons.look(BEGIN)
    end(world, BACK)
    assert seasons.look(BACK + HOUR) == 0
    assert seasons.look(ms(2027, 11, 2)) == 1


@pytest.mark.parametrize("kind", ["maintenance", "not-polled"])
def test_what_a_person_began_is_not_overwritten(world: World, seasons: Seasons, kind: str) -> None:
    act(world, kind, BEGIN - HOUR, BEGIN + 24 * HOUR)
    assert seasons.look(BEGIN + HOUR) == 0
    (one,) = told(world)
    assert (one.actor, one.to_ms) == ("m.okoro", None)
    end(world, BEGIN + 24 * HOUR, kind)  # as it was planned: now the season holds
    assert seasons.look(BEGIN + 25 * HOUR) == 1


def test_a_person_who_had_it_polled_again_is_not_overruled(world: World, seasons: Seasons) -> None:
    act(world, "not-polled", BEGIN - 48 * HOUR, BACK)
    end(world, BEGIN + HOUR)
    assert seasons.look(BEGIN + 2 * HOUR) == 0


def test_a_season_that_was_changed_moves_its_end(world: World, seasons: Seasons) -> None:
    seasons.look(BEGIN)
    rewrite(world, 'back = "04-15"', 'back = "03-15"', BEGIN + HOUR)
    assert seasons.look(BEGIN + 2 * HOUR) == 1
    old, new = told(world)
    assert old.to_ms == BEGIN + 2 * HOUR
    assert (new.planned_end_ms, new.to_ms) == (ms(2027, 3, 15), None)


def test_a_season_that_was_taken_away_ends_at_once(world: World, seasons: Seasons) -> None:
    seasons.look(BEGIN)
    rewrite(world, 'season = { out_from = "11-01", back = "04-15" }', "", BEGIN + HOUR)
    seasons.look(BEGIN + 2 * HOUR)
    (one,) = told(world)
    assert one.to_ms == BEGIN + 2 * HOUR


def test_a_clock_that_is_set_back_does_not_stop_the_looking(world: World, seasons: Seasons) -> None:
    seasons.look(BACK + HOUR)
    assert seasons.look(BEGIN + HOUR) == 1


class Nothing:
    """A poller that found nothing to hand up."""

    def take_refused(self) -> list[object]:
        return []

    def take_lines(self) -> list[object]:
        return []


def test_the_plan_that_is_polled_follows_the_season(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown: list[NetworkView] = [world.view]
    live, nobody = Live(), Nothing()
    watch = plan_watch.PlanWatch(world.database, {}, shown, live, upward=nobody)  # type: ignore[arg-type]
    for at_ms, act in ((BEGIN - 1, Act.NONE), (BEGIN + HOUR, Act.NOT_POLLED), (BACK, Act.NONE)):
        monkeypatch.setattr("tallymast.wall.now_ms", lambda at_ms=at_ms: at_ms)
        watch.look()
        found = shown[0].site("osier-pond")
        assert found is not None
        assert found.act is act

"""When a day's round is kept: once, at seven or as soon as it can be said after that."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from tests.routes.conftest import World, world

from tallymast.domain.rounds import KeptRound
from tallymast.rounds import RoundKeeper
from tallymast.storage import rounds

__all__ = ["world"]

DAY = 20_520  # 2026-03-08, counted from 1970-01-01


class Clocked:
    """A keeper on a clock that is set by hand; what it says can be held back."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.said = "one cause"
        self.asked = 0
        view = world.view
        self.keeper = RoundKeeper(world.database, lambda: view, lambda: self.now_ms, self.say)
        self.at(6, 59)

    def at(self, hour: int, minute: int, day: int = 8) -> bool:
        self.now_ms = round(
            datetime(2026, 3, day, hour, minute, tzinfo=ZoneInfo("UTC")).timestamp() * 1000
        )
        return self.keeper.look()

    def say(self, day: int) -> KeptRound | None:
        self.asked += 1
        return KeptRound(day, self.now_ms, self.said, "", "", ()) if self.said else None

    def kept(self, day: int = DAY) -> str | None:
        with self.world.database.reading() as conn:
            found = rounds.load(conn, day)
        return found.headline if found else None


@pytest.fixture
def clocked(world: World) -> Clocked:
    return Clocked(world)


def test_nothing_is_kept_before_seven(clocked: Clocked) -> None:
    assert not clocked.at(6, 59)
    assert clocked.kept() is None
    assert clocked.at(7, 0)
    assert clocked.kept() == "one cause"


def test_what_was_kept_stays_as_it_was_said(clocked: Clocked) -> None:
    assert clocked.at(7, 0)
    clocked.said = "two causes"
    assert not clocked.at(9, 0)
    assert clocked.kept() == "one cause"


def test_it_waits_until_enough_is_known(clocked: Clocked) -> None:
    clocked.said = ""
    assert not clocked.at(7, 0)
    clocked.said = "late"
    assert clocked.at(7, 5)
    assert clocked.kept() == "late"


def test_a_second_process_leaves_the_first_ones_round(world: World) -> None:
    first, second = Clocked(world), Clocked(world)
    second.said = "another"
    assert first.at(7, 0)
    assert not second.at(7, 1)
    assert second.asked == 0
    assert second.kept() == "one cause"


def test_the_next_day_has_its_own(clocked: Clocked) -> None:
    assert clocked.at(7, 0)
    clocked.said = "next"
    assert clocked.at(23, 0, day=9)
    assert clocked.kept(DAY + 1) == "next"
    with clocked.world.database.reading() as conn:
        assert rounds.days(conn, 5) == [DAY + 1, DAY]
        before = rounds.newest_before(conn, DAY + 1)
    assert before is not None
    assert before.headline == "one cause"

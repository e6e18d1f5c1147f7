"""Since when something holds of a point, told from its readings, near and long ago."""

from typing import Any

import pytest

from tallymast.domain.health.since import Holds, Since
from tallymast.domain.model import Outcome, Poll
from tallymast.storage.batch import Batch, store_batch
from tallymast.storage.hours import close_hours
from tallymast.storage.since import since

MINUTE = 60_000
BEGIN = 1_772_953_200_000  # 2026-03-08 07:00 UTC
HIGH = Holds(least=4.0)  # metres; the level is 4000..20000 microamps over 0..5 m
LOST = Holds(nothing=True)


def poll(planted: Any, minute: int, metres: float | None, missed: bool = False) -> Poll:
    """A poll whose loop carries the level; None: the loop is broken, 3 mA."""
    microamps = 3000 if metres is None else round(4000 + metres / 5 * 16_000)
    words = microamps.to_bytes(2, "big") + bytes(6)
    if missed:
        return planted.poll(BEGIN + minute * MINUTE, Outcome.NO_ANSWER)  # type: ignore[no-any-return]
    return planted.poll(BEGIN + minute * MINUTE, words=words)  # type: ignore[no-any-return]


def found(planted: Any, polls: list[Poll], holds: Holds, *, closed: bool = True) -> Since:
    now_ms = polls[-1].at_ms
    with planted.database.writing() as conn:
        store_batch(conn, Batch(polls, (), (), ()), now_ms)
    if closed:
        close_hours(planted.database, now_ms)
    with planted.database.reading() as conn:
        return since(conn, planted.site_id, "LVL", holds, now_ms)


@pytest.mark.parametrize("closed", [True, False], ids=["closed", "open"])
@pytest.mark.parametrize("minutes", [40, 3000], ids=["lately", "two days"])
def test_it_began_with_the_first_reading_after_the_last_that_was_not_so(
    planted: Any, minutes: int, closed: bool
) -> None:
    polls = [poll(planted, n, 2.0 if n < 25 else 4.5) for n in range(minutes)]
    told = found(planted, polls, HIGH, closed=closed)
    assert told.at_ms == BEGIN + 25 * MINUTE
    assert told.last_ms == BEGIN + 24 * MINUTE
    assert told.last == pytest.approx(2.0)


def test_a_missed_poll_is_no_reading(planted: Any) -> None:
    polls = [poll(planted, n, 2.0 if n < 25 else 4.5, missed=24 <= n < 29) for n in range(60)]
    told = found(planted, polls, HIGH)
    assert (told.last_ms, told.at_ms) == (BEGIN + 23 * MINUTE, BEGIN + 29 * MINUTE)


def test_what_went_back_for_a_while_began_again(planted: Any) -> None:
    polls = [poll(planted, n, 2.0 if n < 25 or 700 <= n < 710 else 4.5) for n in range(1500)]
    assert found(planted, polls, HIGH).at_ms == BEGIN + 710 * MINUTE


def test_a_lost_value_tells_its_last_good_one(planted: Any) -> None:
    polls = [poll(planted, n, 2.84 if n < 500 else None) for n in range(2000)]
    told = found(planted, polls, LOST)
    assert told.at_ms == BEGIN + 500 * MINUTE
    assert told.last_ms == BEGIN + 499 * MINUTE
    assert told.last == pytest.approx(2.84, abs=0.001)


def test_what_was_always_so_has_no_beginning(planted: Any) -> None:
    assert found(planted, [poll(planted, n, 4.5) for n in range(600)], HIGH) == Since(None)


def test_the_other_way_round_holds_too(planted: Any) -> None:
    polls = [poll(planted, n, 2.0 if n < 25 else 0.4) for n in range(400)]
    assert found(planted, polls, Holds(most=0.5)).at_ms == BEGIN + 25 * MINUTE

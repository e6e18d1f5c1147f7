"""The weekly test is due once, at its local hour, and is not made up for."""

from datetime import UTC, datetime

import pytest

from tallymast.domain.alarms.weekly import Weekly, due_ms, wrong
from tallymast.domain.zones import find_zone

DENVER = find_zone("America/Denver")
MIN = 60_000


def ms(*of: int) -> int:
    return round(datetime(*of, tzinfo=UTC).timestamp() * 1000)  # type: ignore[misc, arg-type]


# 2026-03-09 is a Monday; Denver has been 6 h behind UTC since the day before (US rule: the second
# Sunday in March).
NINE = ms(2026, 3, 9, 15)


def test_it_is_due_once_at_its_local_hour() -> None:
    assert due_ms(Weekly(), DENVER, NINE - 1000, NINE) == NINE
    assert due_ms(Weekly(), DENVER, NINE, NINE + 1000) is None
    assert due_ms(Weekly(), DENVER, NINE - 2000, NINE - 1000) is None
    assert due_ms(Weekly(), DENVER, NINE - 86_400_001, NINE - 86_400_000) is None  # Sunday


def test_one_that_was_due_while_nobody_looked_is_not_made_up_for() -> None:
    assert due_ms(Weekly(), DENVER, NINE - 60 * MIN, NINE + 10 * MIN) is None
    assert due_ms(Weekly(), DENVER, NINE - 60 * MIN, NINE + 4 * MIN) == NINE


def test_it_may_be_off() -> None:
    assert due_ms(Weekly(on=False), DENVER, NINE - 1000, NINE) is None


@pytest.mark.parametrize(("weekly", "mistakes"), [(Weekly(7, 9), 1), (Weekly(0, 24), 1)])
def test_there_is_no_such_day_or_hour(weekly: Weekly, mistakes: int) -> None:
    assert len(wrong(weekly)) == mistakes
    assert wrong(Weekly()) == ()

"""Months of contract days: when they end in each zone, and which are still to be told."""

from datetime import UTC, date, datetime

import pytest

from tallymast.domain.errors import ConfigError
from tallymast.domain.record.days import Contract
from tallymast.domain.record.months import (
    end_of,
    is_whole_month,
    month_after,
    month_before,
    month_named,
    months_due,
    name_of,
)

DENVER = Contract("America/Denver", 7)


def at(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


@pytest.mark.parametrize(
    ("month", "contract", "end"),
    [
        # Clocks in Denver went back at 02:00 on 1 November 2026: its 07:00 is UTC-7 already.
        (date(2026, 10, 1), DENVER, "2026-11-01T14:00"),
        (date(2026, 9, 1), DENVER, "2026-10-01T13:00"),
        # They went on at 02:00 on 8 March 2026: at the end of February it was UTC-7.
        (date(2026, 2, 1), DENVER, "2026-03-01T14:00"),
        (date(2026, 2, 1), Contract("UTC-07:00", 7), "2026-03-01T14:00"),
        (date(2026, 9, 1), Contract("UTC-07:00", 7), "2026-10-01T14:00"),
        # UTC+5:45 all year: midnight there is 18:15 of the day before.
        (date(2026, 12, 1), Contract("Asia/Kathmandu", 0), "2026-12-31T18:15"),
    ],
)
def test_a_month_ends_with_its_last_contract_day(month: date, contract: Contract, end: str) -> None:
    assert end_of(month, contract) == at(end)


def test_neighbours_cross_years_and_february() -> None:
    assert month_after(date(2026, 12, 1)) == date(2027, 1, 1)
    assert month_before(date(2027, 1, 1)) == date(2026, 12, 1)
    assert month_after(date(2028, 2, 1)) == date(2028, 3, 1)
    assert is_whole_month(date(2028, 2, 1), date(2028, 2, 29))
    assert not is_whole_month(date(2028, 2, 1), date(2028, 2, 28))
    assert not is_whole_month(date(2026, 1, 1), date(2026, 2, 28))


def test_nothing_is_due_a_millisecond_before_a_month_ends() -> None:
    end_ms, since_ms = at("2026-11-01T14:00"), at("2026-10-05T00:00")
    assert months_due(end_ms - 1, since_ms, DENVER, ()) == []
    assert months_due(end_ms, since_ms, DENVER, ()) == [date(2026, 10, 1)]


def test_missing_months_are_due_as_far_as_the_record_goes_and_twelve_back() -> None:
    now_ms = at("2026-11-10T00:00")
    due = months_due(now_ms, at("2026-08-20T00:00"), DENVER, {"2026-09"})
    assert [name_of(month) for month in due] == ["2026-08", "2026-10"]
    long = months_due(now_ms, at("2020-01-01T00:00"), DENVER, ())
    assert [name_of(long[0]), name_of(long[-1]), len(long)] == ["2025-11", "2026-10", 12]
    assert months_due(now_ms, None, DENVER, ()) == []


@pytest.mark.parametrize("name", ["", "2026", "2026-13", "2026-10-01", "next"])
def test_what_is_no_month_says_so(name: str) -> None:
    with pytest.raises(ConfigError, match=r"is no month; write one like 2026-10"):
        month_named(name)

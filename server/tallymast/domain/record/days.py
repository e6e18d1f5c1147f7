"""Contract days: when they begin and end, and what a day's hours add up to.

A contract day begins at the contract hour of the contract zone and lasts until the next one
begins: 24 hours, and 23 or 25 where that zone's clocks change. Days are computed from hours;
where the zone is no whole number of hours from UTC, a day's first and last hour are only
partly in it, and whoever computes the day gives what of them is.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.model import HourCounts
from tallymast.domain.record.rollups import (
    COUNTS,
    HOUR_MS,
    QUARTER_MS,
    CommHour,
    PointHour,
    counts_of,
)
from tallymast.domain.record.runs import Runs, joined
from tallymast.domain.zones import find_zone

DAY_MS: Final = 24 * HOUR_MS
LONGEST_H: Final = 25
Ints = NDArray[np.int64]

# Columns of a day's hours, for the hour of the day at which contact fails.
HOURLY: Final = ("asked", "first_try", "missed")
_ASKED: Final = [COUNTS.index(name) for name in ("first_try", "retried", "no_answer", "garbled")]
_FIRST: Final = COUNTS.index("first_try")
_MISSED: Final = [COUNTS.index(name) for name in ("no_answer", "garbled")]


@dataclass(frozen=True, slots=True)
class Contract:
    """When days begin: the hour 0..23 of a zone (see ``find_zone``)."""

    zone: str = "UTC"
    hour: int = 0


@dataclass(frozen=True, slots=True)
class ContractDay:
    """``start_ms <= t < end_ms``, UTC milliseconds."""

    start_ms: int
    end_ms: int

    @property
    def hours(self) -> range:
        """The beginnings of the clock hours that lie in it, wholly or partly."""
        return range(self.start_ms - self.start_ms % HOUR_MS, self.end_ms, HOUR_MS)

    def holds(self, hour_ms: int) -> bool:
        """Whether a clock hour lies wholly in it."""
        return self.start_ms <= hour_ms and hour_ms + HOUR_MS <= self.end_ms

    def part_of(self, hour_ms: int) -> tuple[int, int]:
        """Return begin and end of what of a clock hour lies in it."""
        return max(hour_ms, self.start_ms), min(hour_ms + HOUR_MS, self.end_ms)


@dataclass(frozen=True, slots=True)
class CommDay:
    """A site's contact in one contract day.

    Attributes:
        counts: polls by outcome; those in maintenance are in none.
        maintenance_ms: how long somebody worked there.
        hours: 25 x 3, hour by hour from the day's beginning, columns as ``HOURLY``.
        answers: answer times: bucket number to polls.
        codes: exception code to polls that ended with it.
        runs: polls missed in a row; None where those of an hour were not kept.

    """

    counts: HourCounts
    maintenance_ms: int
    hours: Ints
    answers: Mapping[int, int]
    codes: Mapping[int, int]
    runs: Runs | None = None


@lru_cache(maxsize=4096)
def day_of(at_ms: int, contract: Contract) -> ContractDay:
    """Return the contract day an instant lies in."""
    there = find_zone(contract.zone)
    local = datetime.fromtimestamp(at_ms / 1000, there).date()
    begins = [_begin(contract, local.toordinal() + n) for n in (-1, 0, 1, 2)]
    start = max(begin for begin in begins if begin <= at_ms)
    return ContractDay(start, min(begin for begin in begins if begin > at_ms))


def days_between(from_ms: int, to_ms: int, contract: Contract) -> list[ContractDay]:
    """Return the contract days that begin in ``from_ms <= start < to_ms``, ascending."""
    days = []
    day = day_of(from_ms, contract)
    if day.start_ms < from_ms:
        day = day_of(day.end_ms, contract)
    while day.start_ms < to_ms:
        days.append(day)
        day = day_of(day.end_ms, contract)
    return days


def days_touching(hour_ms: int, contract: Contract) -> tuple[ContractDay, ...]:
    """Return the contract day a clock hour lies in: two where one begins within the hour."""
    first, last = day_of(hour_ms, contract), day_of(hour_ms + HOUR_MS - 1, contract)
    return (first,) if first == last else (first, last)


def comm_day(day: ContractDay, hours: Mapping[int, CommHour], maintenance_ms: int = 0) -> CommDay:
    """Return how contact was in a day.

    Args:
        day: which.
        hours: what is known of its hours, by beginning; of an hour that is only partly in the
            day, the answers and codes of that part.
        maintenance_ms: how long somebody worked there in the day.

    """
    quarters = np.zeros((4 * LONGEST_H, len(COUNTS)), np.int64)
    answers: Counter[int] = Counter()
    codes: Counter[int] = Counter()
    for hour_ms, hour in hours.items():
        first = (hour_ms - day.start_ms) // QUARTER_MS
        last = min(first + 4, (day.end_ms - day.start_ms) // QUARTER_MS)
        inside = slice(max(0, -first), last - first)
        quarters[max(0, first) : last] += hour.quarters[inside]
        answers.update(hour.answers)
        codes.update(hour.codes)
    counts = counts_of(quarters.sum(axis=0))
    return CommDay(
        counts, maintenance_ms, _hourly(quarters), dict(answers), dict(codes), _runs(hours)
    )


def _runs(hours: Mapping[int, CommHour]) -> Runs | None:
    some = [hours[hour_ms].runs for hour_ms in sorted(hours)]
    known = [runs for runs in some if runs is not None]
    return joined(known) if len(known) == len(some) else None


def _hourly(quarters: Ints) -> Ints:
    hours = quarters.reshape(LONGEST_H, 4, len(COUNTS)).sum(axis=1)
    return np.stack(
        (hours[:, _ASKED].sum(axis=1), hours[:, _FIRST], hours[:, _MISSED].sum(axis=1)), axis=1
    )


def point_day(hours: Sequence[PointHour]) -> PointHour:
    """Return what a point did in a day, from its hours under one layout, ascending in time."""
    return PointHour(
        n=sum(hour.n for hour in hours),
        total=sum(hour.total for hour in hours),
        least=min(hour.least for hour in hours),
        most=max(hour.most for hour in hours),
        first=hours[0].first,
        last=hours[-1].last,
        changes=sum(hour.changes for hour in hours)
        + sum(one.last != then.first for one, then in pairwise(hours)),
        on_ms=sum(hour.on_ms for hour in hours),
        point_id=hours[0].point_id,
    )


def hours_bytes(hours: Ints) -> bytes:
    """Return 75 unsigned 16-bit numbers, low byte first, hour by hour."""
    return np.minimum(hours, 0xFFFF).astype("<u2").tobytes()


def hours_of(stored: bytes) -> Ints:
    """Return a day's hours from their bytes."""
    return np.frombuffer(stored, "<u2").reshape(LONGEST_H, len(HOURLY)).astype(np.int64)


def begin_of(day: date, contract: Contract) -> int:
    """Return when the contract day of a date begins, UTC milliseconds."""
    return _begin(contract, day.toordinal())


def date_of(at_ms: int, contract: Contract) -> date:
    """Return the date of the contract day an instant lies in."""
    begin_ms = day_of(at_ms, contract).start_ms
    return datetime.fromtimestamp(begin_ms / 1000, find_zone(contract.zone)).date()


def _begin(contract: Contract, day: int) -> int:
    there = find_zone(contract.zone)
    begin = datetime.fromordinal(day) + timedelta(hours=contract.hour)
    return round(begin.replace(tzinfo=there).astimezone(UTC).timestamp() * 1000)

"""Which contract days a page of volumes is asked for, and what they are called."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from tallymast.domain.errors import ConfigError
from tallymast.domain.local_times import MONTHS
from tallymast.domain.record.days import Contract, begin_of, date_of
from tallymast.domain.record.months import end_of, month_after, month_before, month_named, name_of
from tallymast.routes.formats import DAYS
from tallymast.routes.problems import Problem
from tallymast.storage.volumes import Span

LAST: Final = (7, 14, 31)  # ours: so many last days may be asked for instead of a month
CLOSES_MS: Final = 300_000  # ours: an hour is closed 3 min after its end; two more to add it up
HOUR_MS: Final = 3_600_000


@dataclass(frozen=True, slots=True)
class Period:
    """Contract days, ascending.

    Attributes:
        words: what they are called.
        month: as ``2026-11``; empty for the last days.
        days: every day's date, those to come too.
        begin_ms: where the first begins.
        end_ms: where the last ends.
        is_over: whether all of them are.

    """

    words: str
    month: str
    days: tuple[date, ...]
    begin_ms: int
    end_ms: int
    is_over: bool

    def before(self) -> str:
        """Return the month before this one."""
        return name_of(month_before(self.days[0]))

    def after(self) -> str:
        """Return the month after this one; empty where that has not begun."""
        return name_of(month_after(self.days[0])) if self.month and self.is_over else ""


def the_period(month: str, last: int, contract: Contract, now_ms: int) -> Period:
    """Return the month that is asked for, or the last days; without either this month.

    Raises:
        Problem: no month, or one that has not begun.

    """
    today = date_of(now_ms, contract)
    if last:
        days = tuple(today - timedelta(days=back) for back in range(last)[::-1])
        words = f"The last {last} days"
        begin_ms, end_ms = begin_of(days[0], contract), begin_of(next_day(today), contract)
        return Period(words, "", days, begin_ms, end_ms, is_over=False)
    first = _first(month, today)
    end_ms = end_of(first, contract)
    if begin_of(first, contract) > now_ms:
        raise Problem(422, f"{month_words(first)} has not begun yet.")
    length = (month_after(first) - first).days
    days = tuple(first + timedelta(days=n) for n in range(length))
    begin_ms = begin_of(first, contract)
    return Period(month_words(first), name_of(first), days, begin_ms, end_ms, end_ms <= now_ms)


def _first(month: str, today: date) -> date:
    if not month:
        return today.replace(day=1)
    try:
        first = month_named(month)
    except ConfigError as error:
        raise Problem(422, str(error)) from error
    if first.year < 1970:
        raise Problem(422, "Nothing was recorded before 1970.")
    return first


def spans_of(days: Sequence[date], contract: Contract, end_ms: int) -> list[Span]:
    """Return begin and end of each day that has begun before ``end_ms``, cut there."""
    found = []
    for day in days:
        begin, end = begin_of(day, contract), begin_of(next_day(day), contract)
        if begin < end_ms:
            found.append((begin, min(end, end_ms)))
    return found


def closed_until(now_ms: int) -> int:
    """Return up to where hours are closed and added up."""
    return (now_ms - CLOSES_MS) // HOUR_MS * HOUR_MS


def month_words(first: date) -> str:
    """Return ``November 2026``."""
    return f"{first:%B %Y}"


def day_words(day: date) -> str:
    """Return ``Mon 23 Nov``."""
    return f"{DAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]}"


def days_ago(day: date, today: date) -> str:
    """Return how a contract day lies to today: ``today``, ``yesterday``, ``3 days ago``."""
    back = (today - day).days
    return {0: "today", 1: "yesterday"}.get(back, f"{back} days ago")


def next_day(day: date) -> date:
    """Return the day after."""
    return day + timedelta(days=1)

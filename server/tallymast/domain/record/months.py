"""Calendar months of contract days: their names, their neighbours, and which are to be told of."""

from collections.abc import Collection
from datetime import date, timedelta
from typing import Final

from tallymast.domain.errors import ConfigError
from tallymast.domain.record.days import Contract, begin_of, date_of

MOST_BACK: Final = 12  # ours: so many months back a report that is missing is made


def month_of(day: date) -> date:
    """Return the first day of a day's month."""
    return day.replace(day=1)


def month_after(month: date) -> date:
    """Return the first day of the month after."""
    return (month.replace(day=28) + timedelta(days=4)).replace(day=1)


def month_before(month: date) -> date:
    """Return the first day of the month before."""
    return (month.replace(day=1) - timedelta(days=1)).replace(day=1)


def is_whole_month(first: date, last: date) -> bool:
    """Whether some days, both included, are one calendar month."""
    return first.day == 1 and last + timedelta(days=1) == month_after(first)


def name_of(month: date) -> str:
    """Return a month as files are named by it, ``2026-10``."""
    return f"{month:%Y-%m}"


def month_named(name: str) -> date:
    """Return the first day of a month ``2026-10``.

    Raises:
        ConfigError: no month.

    """
    try:
        return date.fromisoformat(f"{name}-01")
    except ValueError as error:
        raise ConfigError(f"{name!r} is no month; write one like 2026-10.") from error


def end_of(month: date, contract: Contract) -> int:
    """Return when the last contract day of a month ends, UTC milliseconds."""
    return begin_of(month_after(month), contract)


def months_due(
    now_ms: int, since_ms: int | None, contract: Contract, kept: Collection[str]
) -> list[date]:
    """Return the months that are over and not told of yet, oldest first.

    Args:
        now_ms: now, UTC milliseconds.
        since_ms: when the record begins; None: there is none, so that nothing is due.
        contract: when contract days begin. The day on which a month ends is over when the first
            contract day of the next begins.
        kept: names of the months that have been told of.

    """
    if since_ms is None:
        return []
    first, month = month_of(date_of(since_ms, contract)), month_of(date_of(now_ms, contract))
    found = []
    for _ in range(MOST_BACK):
        month = month_before(month)
        if month < first:
            break
        if name_of(month) not in kept:
            found.append(month)
    return found[::-1]

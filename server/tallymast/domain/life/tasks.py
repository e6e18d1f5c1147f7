"""What is due at a site: when it comes again, and how late or soon that is in words.

Days are local ones, counted from 1970-01-01.
"""

import calendar
from datetime import date
from typing import Final

from tallymast.domain.health.nights import day_number, day_of

SOON_DAYS: Final = 30  # ours: what falls due within a month is worth a look before a drive


def months_later(day: date, months: int) -> date:
    """Return the same day of a later month; the month's last where it has no such day.

    Source: java.time and RFC 5545 differ here; clamping to the month's end is the first's rule.
    """
    year, place = divmod(day.year * 12 + day.month - 1 + months, 12)
    last = calendar.monthrange(year, place + 1)[1]
    return date(year, place + 1, min(day.day, last))


def next_due(due_day: int, done_day: int, every_months: int | None) -> int | None:
    """Return when a task comes again, None for one that is done once.

    It is counted from the day it was done: what was calibrated late is not due early again.

    Args:
        due_day: when it was due [days since 1970].
        done_day: when it was done.
        every_months: how often it comes; None: once.

    """
    if every_months is None:
        return None
    return day_number(months_later(day_of(done_day), every_months))


def due_words(due_day: int, today: int) -> str:
    """Return how a task stands: ``due since 12 days``, ``due today``, ``due in 3 days``."""
    days = abs(due_day - today)
    span = f"{days} day" if days == 1 else f"{days} days"
    if due_day < today:
        return f"due since {span}"
    return "due today" if due_day == today else f"due in {span}"


def is_due(due_day: int, today: int) -> bool:
    """Return whether a task is due or late."""
    return due_day <= today


def every_words(every_months: int | None) -> str:
    """Return how often a task comes: ``once``, ``every month``, ``every 2 years``."""
    if every_months is None:
        return "once"
    if every_months % 12 == 0:
        years = every_months // 12
        return "every year" if years == 1 else f"every {years} years"
    return "every month" if every_months == 1 else f"every {every_months} months"

"""How the record is kept: when copies are made and which stay, how long polls are kept.

Copies are named by the instant they were made; of those, the newest one of each of the last
days, weeks and months stays (a grandfather-father-son rotation; common practice, no published
source for the numbers).
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo
from typing import Final

from tallymast.domain.errors import ConfigError

DAY_MS: Final = 86_400_000
MOST_COPIES: Final = 1000
GRACE_MS: Final = DAY_MS  # a shorter keeping begins a day later, so that it can be taken back
SHORTEST_KEPT: Final = 35  # days; ours: a month's report and the change points need that many

_NAME: Final = re.compile(r"tallymast-(\d{8}T\d{6})Z\.sqlite3")
_AT: Final = re.compile(r"([01]\d|2[0-3]):([0-5]\d)")


@dataclass(frozen=True, slots=True)
class CopyPlan:
    """When copies are made by themselves, and how many stay.

    Attributes:
        at: the local time of day, ``HH:MM``; empty: none are made.
        days: for how many of the last days a copy stays.
        weeks: for how many of the last weeks.
        months: for how many of the last months.

    """

    at: str = "02:30"
    days: int = 7
    weeks: int = 4
    months: int = 6

    def words(self) -> str:
        """Return the plan in words."""
        if not self.at:
            return "no backups by themselves"
        return (
            f"a backup every day at {self.at}, the newest of each of {self.days} days, "
            f"{self.weeks} weeks and {self.months} months kept"
        )


@dataclass(frozen=True, slots=True)
class Keeping:
    """How long polls are kept.

    Attributes:
        days: so many days; None: for ever.
        from_ms: from when on that holds, UTC milliseconds.

    """

    days: int | None = None
    from_ms: int = 0

    def cutoff_ms(self, now_ms: int) -> int | None:
        """Return before which instant whole UTC days of polls are given up, None for never."""
        if self.days is None or now_ms < self.from_ms:
            return None
        return now_ms // DAY_MS * DAY_MS - self.days * DAY_MS

    def words(self) -> str:
        """Return it in words."""
        return "for ever" if self.days is None else f"for {self.days} days"


def checked_plan(at: str, days: int, weeks: int, months: int) -> CopyPlan:
    """Return a plan as a person wrote it.

    Raises:
        ConfigError: no time of day, or numbers that keep nothing or too much.

    """
    at = at.strip()
    if at and not _AT.fullmatch(at):
        raise ConfigError(f"{at!r} is no time of day; write it like 02:30, or nothing for never.")
    wrong = [n for n in (days, weeks, months) if not 0 <= n <= 366]
    if wrong:
        raise ConfigError(f"Backups are kept for 0 to 366 days, weeks or months, not {wrong[0]}.")
    if at and days < 1:
        raise ConfigError("Keep the backups of at least one day: the newest is the one you need.")
    return CopyPlan(at, days, weeks, months)


def checked_days(text: str) -> int | None:
    """Return for how many days polls are kept, None for ever, as a person wrote it.

    Raises:
        ConfigError: no number, or fewer days than reports need.

    """
    text = text.strip()
    if not text:
        return None
    if not text.isascii() or not text.isdigit() or not SHORTEST_KEPT <= int(text) <= 36_500:
        raise ConfigError(
            f"{text!r} days cannot be kept; give a number from {SHORTEST_KEPT} to 36500, or "
            "nothing to keep polls for ever. Hours and days of the record always stay."
        )
    return int(text)


def copy_name(at_ms: int) -> str:
    """Return the file name of a copy made at an instant."""
    return f"tallymast-{datetime.fromtimestamp(at_ms // 1000, UTC):%Y%m%dT%H%M%S}Z.sqlite3"


def copy_instant(name: str) -> int | None:
    """Return when a copy was made, by its file's name; None where it is no copy's name."""
    found = _NAME.fullmatch(name)
    if found is None:
        return None
    try:
        made = datetime.strptime(found[1], "%Y%m%dT%H%M%S").replace(tzinfo=UTC)
    except ValueError:
        return None
    return round(made.timestamp() * 1000)


def due_since(plan: CopyPlan, now_ms: int, zone: tzinfo) -> int | None:
    """Return the last instant at which a copy was to be made, None without a plan."""
    if not plan.at:
        return None
    hour, minute = (int(part) for part in plan.at.split(":"))
    today = datetime.fromtimestamp(now_ms / 1000, zone).date()
    for day in (today, today - timedelta(days=1), today - timedelta(days=2)):
        at = datetime.combine(day, time(hour, minute), zone)
        at_ms = round(at.timestamp() * 1000)
        if at_ms <= now_ms:
            return at_ms
    return None


def staying(made_ms: Iterable[int], plan: CopyPlan, zone: tzinfo) -> set[int]:
    """Return which copies stay: the newest of each of the last days, weeks and months.

    Args:
        made_ms: when each copy was made.
        plan: how many stay.
        zone: whose days, ISO weeks and months are meant.

    """
    newest_first = sorted(set(made_ms), reverse=True)
    local = {at_ms: datetime.fromtimestamp(at_ms / 1000, zone).date() for at_ms in newest_first}
    stay = set(newest_first[:1])
    for most, period in (
        (plan.days, {at_ms: day.toordinal() for at_ms, day in local.items()}),
        (plan.weeks, {at_ms: day.isocalendar()[:2] for at_ms, day in local.items()}),
        (plan.months, {at_ms: (day.year, day.month) for at_ms, day in local.items()}),
    ):
        stay |= _newest_of_each(newest_first, period, most)
    return stay


def _newest_of_each(newest_first: Sequence[int], period: object, most: int) -> set[int]:
    assert isinstance(period, dict)
    found: dict[object, int] = {}
    for at_ms in newest_first:
        if len(found) < most:
            found.setdefault(period[at_ms], at_ms)
        elif period[at_ms] not in found:
            break
    return set(found.values())


def days_left(free_bytes: int, growth_bytes: float) -> float | None:
    """Return for how many days a disk has room, None where nothing grows.

    Args:
        free_bytes: what is free on the disk, and inside the file.
        growth_bytes: what a day adds.

    """
    return free_bytes / growth_bytes if growth_bytes > 0 else None

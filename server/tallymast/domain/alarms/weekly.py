"""When the test alarm is due by itself: on one weekday, at one full hour of local time.

A test that was due while nobody looked is not made up for: an alarm at a time when nobody expects
a test is taken for a real one.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Final

WEEKDAYS: Final = (
    "Monday",
    "Tuesday",
    "Wednesday",
    "Thursday",
    "Friday",
    "Saturday",
    "Sunday",
)
LATE_MS: Final = 5 * 60_000  # ours: so late it is still the test of that hour


@dataclass(frozen=True, slots=True)
class Weekly:
    """When a test alarm is raised by itself.

    Attributes:
        weekday: 0 is Monday, 6 Sunday.
        hour: 0 to 23, local.
        on: whether it is at all.

    """

    weekday: int = 0
    hour: int = 9
    on: bool = True

    @property
    def words(self) -> str:
        """``each Monday at 09:00``, or ``never``."""
        return f"each {WEEKDAYS[self.weekday]} at {self.hour:02d}:00" if self.on else "never"


def wrong(weekly: Weekly) -> tuple[str, ...]:
    """Return what cannot be used of a weekly test as it was written, in sentences."""
    found = []
    if not 0 <= weekly.weekday <= 6:
        found.append("The weekday of the test alarm is one from Monday to Sunday.")
    if not 0 <= weekly.hour <= 23:
        found.append(f"The hour of the test alarm is 0 to 23, not {weekly.hour}.")
    return tuple(found)


def due_ms(weekly: Weekly, zone: tzinfo, before_ms: int, now_ms: int) -> int | None:
    """Return when a test became due after ``before_ms`` and not later than now, else None.

    Args:
        weekly: when it is due.
        zone: of local time. An hour that a change of the clocks skips is due at its turn, one that
            comes twice the first time.
        before_ms: up to when it was looked last, UTC ms.
        now_ms: when somebody looks; one that was due more than 5 min before is over.

    """
    if not weekly.on:
        return None
    local = datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(zone)
    if local.weekday() != weekly.weekday:
        return None
    due = local.replace(hour=weekly.hour, minute=0, second=0, microsecond=0, fold=0)
    at_ms = round(due.timestamp() * 1000)
    return at_ms if max(before_ms, now_ms - LATE_MS) < at_ms <= now_ms else None

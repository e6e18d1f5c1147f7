"""Times in a report that is read months later: always with the day, never ``today``."""

from datetime import datetime, tzinfo

from markupsafe import Markup

from tallymast.domain.local_times import MONTHS, local_time
from tallymast.routes.formats import DAYS, iso
from tallymast.routes.still_clock import StillClock


class PaperClock(StillClock):
    """Writes times of a report.

    Args:
        zone: whose wall clock.
        now_ms: when the report is made.
        about_ms: an instant of the year it is about; other years are written out.

    """

    def __init__(self, zone: tzinfo, now_ms: int, about_ms: int) -> None:
        super().__init__(zone, now_ms)
        self._year = local_time(about_ms, zone).year

    def at(self, ms: int, seconds: bool = False) -> Markup:
        """Return ``Sun 1 Nov 01:30``; in an hour that comes twice with the zone's name of then."""
        at = local_time(ms, self.zone)
        year = "" if at.year == self._year else f" {at.year}"
        day = f"{DAYS[at.weekday()]} {at.day} {MONTHS[at.month - 1]}{year}"
        return _element(ms, f"{day} {_time(at, seconds)}")

    def till(self, ms: int, begin_ms: int) -> Markup:
        """Return the end of a span; without the day it began on."""
        at = local_time(ms, self.zone)
        if at.date() == local_time(begin_ms, self.zone).date():
            return _element(ms, _time(at, seconds=False))
        return self.at(ms)

    def day_and_time(self, ms: int) -> str:
        """Return ``1 Nov 2026 07:00 MST (UTC-07:00)``."""
        return StillClock(self.zone, ms).as_of


def _time(at: datetime, seconds: bool) -> str:
    words = f"{at:%H:%M:%S}" if seconds else f"{at:%H:%M}"
    comes_twice = at.replace(fold=0).utcoffset() > at.replace(fold=1).utcoffset()  # type: ignore[operator]
    return f"{words} {at:%Z}" if comes_twice else words


def _element(ms: int, words: str) -> Markup:
    return Markup('<time datetime="{}">{}</time>').format(iso(ms), words)

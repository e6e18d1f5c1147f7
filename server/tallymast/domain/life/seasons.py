"""When a site is out of season: spans of every year on a zone's calendar.

Pure: the instant and the zone come in. A span may lie over the turn of the year.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Final

from tallymast.domain.model import Season

CHECK_BEFORE: Final = timedelta(days=14)  # ours: two weeks to drive out and mend what is found
NAMED_BEFORE: Final = timedelta(days=14)  # ours: so long before, falling outputs are named


@dataclass(frozen=True, slots=True)
class OutSpan:
    """One time out of season: from its first day's midnight to the midnight of the day back."""

    first: date
    back: date
    from_ms: int
    until_ms: int

    @property
    def check_from(self) -> date:
        """The day from which the site is made ready to come back."""
        return self.back - CHECK_BEFORE

    def holds(self, at_ms: int) -> bool:
        """Return whether the site is out of season at an instant [UTC ms]."""
        return self.from_ms <= at_ms < self.until_ms


def span_at(season: Season, at_ms: int, zone: tzinfo) -> OutSpan:
    """Return the time out of season that holds at an instant, else the next one.

    Args:
        season: (month, day) of its first day and of the day back; 29 February is 1 March in
            years without one.
        at_ms: the instant [UTC ms].
        zone: whose midnights count.

    """
    year = datetime.fromtimestamp(at_ms / 1000, UTC).year
    # Twelve years hold a season that is empty in every common year (29 February to 1 March).
    spans = _spans(season, year - 1, year + 12, zone)
    return next(one for one in spans if at_ms < one.until_ms)


def is_out(season: Season, at_ms: int, zone: tzinfo) -> bool:
    """Return whether a site is out of season at an instant [UTC ms]."""
    return span_at(season, at_ms, zone).holds(at_ms)


def midnight_ms(day: date, zone: tzinfo) -> int:
    """Return when a day begins [UTC ms]."""
    return round(datetime.combine(day, time(), zone).timestamp() * 1000)


def _spans(season: Season, first: int, last: int, zone: tzinfo) -> Iterator[OutSpan]:
    over_new_year = season.back <= season.out_from
    for year in range(first, last + 1):
        begin = _day(year, season.out_from)
        back = _day(year + over_new_year, season.back)
        if begin < back:
            yield OutSpan(begin, back, midnight_ms(begin, zone), midnight_ms(back, zone))


def _day(year: int, month_day: tuple[int, int]) -> date:
    try:
        return date(year, *month_day)
    except ValueError:  # 29 February
        return date(year, 3, 1)

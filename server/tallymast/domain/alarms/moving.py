"""How fast a value changes, from its readings of a while; and whether that is too fast.

The slope is the median of the slopes between all pairs of readings (Theil-Sen): a single wild
reading moves it little, where the difference of two readings would call at once. Readings must
reach over half of the span at least, or nothing is said. Source of the estimator: P. K. Sen, 1968
(J. Am. Stat. Assoc. 63, 1379-1389; from memory).
"""

from dataclasses import dataclass
from itertools import combinations
from statistics import median

from tallymast.domain.alarms.judged import UNKNOWN, is_known, judged, spoken
from tallymast.domain.alarms.model import Alarm, Seen
from tallymast.domain.health.attention import Standing as SiteStanding
from tallymast.domain.model import Point

HOUR_MS = 3_600_000
KEPT = 30  # ours: 435 pairs at most, some tens of microseconds


@dataclass(frozen=True, slots=True)
class Trace:
    """Readings of a while, oldest first, as (UTC ms, value)."""

    readings: tuple[tuple[int, float], ...] = ()

    def followed(self, at_ms: int, value: float, span_s: float) -> "Trace":
        """Return it with a newer reading, what is older than the span left out.

        Of readings that lie closer than a thirtieth of the span only the newest is kept. One that
        is older than the newest, as after a clock that was set back, begins anew.
        """
        known = self.readings
        if known and at_ms <= known[-1][0]:
            return self if at_ms == known[-1][0] else Trace(((at_ms, value),))
        from_ms = at_ms - round(span_s * 1000)
        kept = tuple(one for one in known if one[0] >= from_ms)
        if len(kept) > 1 and kept[-1][0] - kept[-2][0] < span_s * 1000 / KEPT:
            kept = kept[:-1]
        return Trace((*kept, (at_ms, value)))

    def per_hour(self, span_s: float) -> float | None:
        """Return how much it changes in an hour, in its own unit; None where that is not known."""
        known = self.readings
        if len(known) < 2 or known[-1][0] - known[0][0] < span_s * 500:
            return None
        slopes = [(b[1] - a[1]) / (b[0] - a[0]) for a, b in combinations(known, 2)]
        return median(slopes) * HOUR_MS


def judge_rate(alarm: Alarm, site: SiteStanding, point: Point, trace: Trace) -> Seen:
    """Judge how fast a value changes; the limit's sign tells which way is watched."""
    reading = site.readings.get(point.tag)
    per_hour = trace.per_hour(alarm.over_s)
    if reading is None or not is_known(reading) or per_hour is None or alarm.limit is None:
        return UNKNOWN
    verb = "rises" if per_hour > 0 else "falls"
    words = f"{verb} {rate_words(per_hour, point.unit)}"
    return judged(alarm, per_hour, trace.readings[-1][0], words, above=alarm.limit > 0)


def rate_words(per_hour: float, unit: str) -> str:
    """Return a rate of change for people, without its sign: ``1.8 m/h``."""
    return spoken(abs(per_hour), f"{unit}/h" if unit else "in an hour")

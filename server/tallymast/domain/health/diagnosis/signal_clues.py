"""What a site's signal tells: whether it stands, fell at once, or sinks from day to day."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.comms.model import SignalStep
from tallymast.domain.health.record import SiteRecord
from tallymast.domain.health.signal_steps import step_in
from tallymast.domain.health.supply.trend import theil_sen
from tallymast.domain.model import PointKind, Site
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.record.spans import SpanSeries

DAY_MS: Final = 24 * HOUR_MS
SIGNAL_DAYS: Final = 60
LEAST_FADE_DAYS: Final = 10  # Ours: a week of weather is no slope
_LEAST_FADE_DB: Final = 3.0  # Ours: less is weather
_LEAST_HOURS: Final = 4  # Ours: known hours that make a day's median
_LEAST_SLOPE_DAYS: Final = 4  # Ours: what falls sooner is a step
_HELD_HOURS: Final = 24
_DIP_HOURS: Final = 2
_MAD: Final = 1.4826  # standard deviation by median absolute deviation, of a normal scatter
_LEAST_SIGMA_DB: Final = 0.6  # Ours: meters count in whole dB, some in threes
_AUTOCORRELATED: Final = 2.5  # Ours: weather makes days alike; so many are worth one
_LOOKED: Final = 6.0  # natural logarithm of about 400 slopes that are tried
_CALLED_DB: Final = ("dbm", "db", "")

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Fade:
    """A signal that sinks from day to day.

    Attributes:
        since_ms: since about when.
        days: of daily medians it rests on, from then on.
        fall_db: by how much it has sunk.
        per_day_db: Theil-Sen's slope since then.
        low_db: lower end of its 95 % interval [dB/day].
        high_db: its upper end.
        evidence: natural logarithm of the odds against a signal that only scatters.
        is_sudden: one step explains it as well as a slope.
        from_dbm: the level it has sunk from.

    """

    since_ms: int
    days: int
    fall_db: float
    per_day_db: float
    low_db: float
    high_db: float
    evidence: float
    is_sudden: bool = False
    from_dbm: float = 0.0


@dataclass(frozen=True, slots=True)
class SignalClues:
    """What the signal does.

    Attributes:
        days: that are known of the last sixty.
        usual_dbm: median of the days before the newest three.
        newest_dbm: median of the newest 24 hours.
        scatter_db: usual scatter of hours about their day's median (standard deviation).
        step: a step down that still holds, with the readings between which it fell.
        margin_db: by how much it lies, since the step, below the lowest that was usual before.
        fade: a slope.

    """

    days: int
    usual_dbm: float
    newest_dbm: float
    scatter_db: float
    step: SignalStep | None = None
    margin_db: float = 0.0
    fade: Fade | None = None

    @property
    def drift_db(self) -> float:
        """By how much the newest day lies above what is usual."""
        return self.newest_dbm - self.usual_dbm


def signal_hours(site: Site, record: SiteRecord, now_ms: int) -> SpanSeries | None:
    """Return the signal of the last sixty days by hour, None where no point reports it in dB."""
    point = site.point_of(PointKind.SIGNAL)
    if point is None or point.unit.lower() not in _CALLED_DB:
        return None
    return record.hours(point.tag, now_ms - SIGNAL_DAYS * DAY_MS, now_ms)


def signal_clues(
    site: Site, record: SiteRecord, hours: SpanSeries, known: SignalStep | None, now_ms: int
) -> SignalClues | None:
    """Return what the signal tells, None under three days or where the newest day has none.

    Args:
        site: whose.
        record: its last weeks.
        hours: see ``signal_hours``.
        known: a step that was found already.
        now_ms: the instant.

    """
    ago, medians, scatter = _days(hours, now_ms)
    if len(ago) < 3 or ago[-1] > 1:
        return None
    usual = float(np.median(medians[ago >= 3])) if (ago >= 3).any() else float(medians[0])
    step = known or step_in(site, record, hours)
    if step is not None and step.after_dbm >= step.before_dbm:
        step = None
    fade = fade_of(ago, medians, now_ms)
    margin = 0.0 if step is None else margin_of(hours, step)
    return SignalClues(len(ago), usual, float(medians[-1]), scatter, step, margin, fade)


def fade_of(ago: Ints, medians: Floats, now_ms: int) -> Fade | None:
    """Return how a signal sinks, None where it does not, or under ten days.

    Ours: the best line that is level, sinks for four days or more, and is level again, against
    one level, by their squared residuals; days are alike, so each counts 0.4. Its slope is
    Theil-Sen's from where it begins to sink.

    Args:
        ago: how many days ago each daily median was taken, descending, the newest 0 or 1.
        medians: the medians [dBm].
        now_ms: the instant.

    """
    if len(ago) < LEAST_FADE_DAYS:
        return None
    at = (ago[0] - ago).astype(np.float64)
    slope = _best_slope(at, medians, _LEAST_SLOPE_DAYS, len(at))
    sudden = _best_slope(at, medians, 1, 2)
    sigma = max(_LEAST_SIGMA_DB, _MAD * float(np.median(np.abs(slope.residuals))))
    level = float(((medians - medians.mean()) ** 2).sum())
    evidence = (level - slope.unrest) / (2 * sigma**2 * _AUTOCORRELATED) - _LOOKED
    if slope.change > -_LEAST_FADE_DB or evidence <= 0.0:
        return None
    begin = max(0, min(slope.begin, len(at) - 3))
    per_day, low, high = theil_sen(at[begin:], medians[begin:])
    return Fade(
        now_ms - (int(ago[begin]) + 1) * DAY_MS,
        len(at) - begin,
        -slope.change,
        per_day,
        low,
        high,
        evidence,
        sudden.unrest <= 1.2 * slope.unrest + sigma**2,
        float(np.median(medians[: slope.begin + 1])),
    )


def margin_of(hours: SpanSeries, step: SignalStep) -> float:
    """Return by how much a signal lies since a step below the lowest that was usual before [dB].

    Dawn, clouds and rain make dips of some hours, and on a far path deep ones. Ours: the median
    since the step against the lowest two hours of the fortnight before; once it has held for a
    day, against the lowest day.
    """
    known = ~np.isnan(hours.mean)
    at_ms, levels = hours.at_ms[known], hours.mean[known]
    before = levels[(at_ms + HOUR_MS <= step.from_ms) & (at_ms >= step.from_ms - 14 * DAY_MS)]
    since = levels[at_ms > step.to_ms - HOUR_MS // 2]
    length = _HELD_HOURS if len(since) >= _HELD_HOURS else _DIP_HOURS
    if not len(since) or len(before) < max(_HELD_HOURS, length):
        return 0.0
    rows = np.lib.stride_tricks.sliding_window_view(before, length)
    return float(np.median(rows, axis=1).min() - np.median(since[-_HELD_HOURS:]))


# --- inside ---------------------------------------------------------------------------


class _Slope(NamedTuple):
    begin: int
    change: float
    unrest: float
    residuals: Floats


def _best_slope(at: Floats, medians: Floats, shortest: int, longest: int) -> _Slope:
    """Return the best line that changes between two days and is level before and after."""
    pairs = [
        (first, last)
        for first in range(len(at) - 1)
        for last in range(first + shortest, min(len(at), first + longest + 1))
    ]
    first, last = np.array(pairs).T
    rows = np.clip((at - at[first, None]) / (at[last] - at[first])[:, None], 0.0, 1.0)
    rows -= rows.mean(axis=1, keepdims=True)
    centred = medians - medians.mean()
    change = rows @ centred / (rows**2).sum(axis=1)
    unrest = (centred**2).sum() - change**2 * (rows**2).sum(axis=1)
    best = int(np.argmin(unrest))
    residuals = centred - change[best] * rows[best]
    return _Slope(int(first[best]), float(change[best]), float((residuals**2).sum()), residuals)


def _days(hours: SpanSeries, now_ms: int) -> tuple[Ints, Floats, float]:
    """Return daily medians, of the 24 hours before now and so on, and the hours' scatter."""
    known = ~np.isnan(hours.mean)
    levels = hours.mean[known]
    ago = (now_ms - hours.at_ms[known] - 1) // DAY_MS
    days, medians, off = [], [], []
    for day in sorted(set(ago.tolist()), reverse=True):
        own = levels[ago == day]
        if len(own) >= _LEAST_HOURS:
            days.append(day)
            medians.append(float(np.median(own)))
            off.append(np.abs(own - medians[-1]))
    scatter = _MAD * float(np.median(np.concatenate(off))) if off else 0.0
    return np.array(days, np.int64), np.array(medians), scatter


def median_of(numbers: Sequence[float]) -> float | None:
    """Return the median, None of nothing."""
    return float(np.median(numbers)) if numbers else None

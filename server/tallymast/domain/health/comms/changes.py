"""Since when something has been otherwise: misses, first-try share, signal.

The tests here say when a change began; each says beside it how often it would speak for nothing.
"""

from collections.abc import Sequence
from math import exp, log
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.comms.baselines import (
    FALSE_ALARMS,
    LIMIT,
    Blocks,
    best_window,
    blocks_of,
    log_likelihood,
    window_scores,
)
from tallymast.domain.health.comms.intervals import share_of
from tallymast.domain.health.comms.model import ContactChange, Outage, Share, SignalStep
from tallymast.domain.health.comms.outages import silent_spans

LEAST_STEP_DB: Final = 6.0  # Ours: half the range; less is weather and leaves
_LEAST_STEP_HOURS: Final = 2
_STEP_HOURS: Final = 24  # Ours: a day on each side holds its own ups and downs
_MADS: Final = 4.0  # Ours: a step stands out of four times the usual scatter
_SIGMA: Final = 1.4826  # standard deviation by median absolute deviation, of a normal scatter
_LEAST_READINGS: Final = 3
_HOUR_MS: Final = 3_600_000
_OLD_MS: Final = 24 * _HOUR_MS
_STEP_WITHIN_MS: Final = 72 * _HOUR_MS  # Ours: older hours are no level to step from

Floats = NDArray[np.float64]


class Split(NamedTuple):
    """Where a row is best split in two, and by how much that is better than not at all.

    ``at``: index of the first of the second part; ``statistic``: log likelihood ratio.
    """

    at: int
    statistic: float


class Pettitt(NamedTuple):
    """Pettitt's U, the index of the first value after the change, and its approximate p."""

    u: float
    at: int
    p: float


def bernoulli_cusum(missed: NDArray[np.bool_], p0: float, p1: float) -> Floats:
    """Return the one-sided cumulative log likelihood ratio after each poll, never below 0.

    Args:
        missed: polls in the order of time, True where missed.
        p0: share missed when all is well, 0..1.
        p1: share missed that shall be noticed.

    Source: E. S. Page, Biometrika 41 (1954) 100-115 (from memory).

    """
    weights = np.where(missed, log(p1 / p0), log((1 - p1) / (1 - p0)))
    walk = np.concatenate(([0.0], np.cumsum(weights)))
    path: Floats = walk - np.minimum.accumulate(walk)
    return path[1:]


def likelihood_ratio(
    parts: NDArray[np.integer[Any]],
    wholes: NDArray[np.integer[Any]],
    baseline: float | None = None,
) -> Split:
    """Return the split of hourly blocks at which the share most likely changed.

    Args:
        parts: polls that count, block by block, two blocks at least.
        wholes: polls asked in the same blocks.
        baseline: share before, between 0 and 1, where it is known; the whole row may then be the
            second part (index 0). None: it is that of the first part.

    Returns:
        The split and its log likelihood ratio; polls are taken for independent.

    """
    part, whole = (np.concatenate(([0.0], np.cumsum(row))) for row in (parts, wholes))
    after = log_likelihood(part[-1] - part[:-1], whole[-1] - whole[:-1])
    if baseline is None:
        same = log_likelihood(part[-1:], whole[-1:])[0]
        gains = (after + log_likelihood(part[:-1], whole[:-1]) - same)[1:]
        at = int(np.argmax(gains)) + 1
        return Split(at, float(gains[at - 1]))
    miss, answer = log(baseline), log(1 - baseline)
    lost, rest = part[-1] - part[:-1], whole[-1] - whole[:-1]
    gains = after - lost * miss - (rest - lost) * answer
    at = int(np.argmax(gains))
    return Split(at, float(gains[at]))


def pettitt(values: Floats) -> Pettitt:
    """Return where a row of values changed its level, by ranks.

    Source: A. N. Pettitt, J. R. Stat. Soc. C 28 (1979) 126-135; p is his approximation.
    """
    n = len(values)
    signs = np.sign(values[None, :] - values[:, None])
    walk = np.cumsum(signs.sum(axis=1))[:-1]
    at = int(np.argmax(np.abs(walk)))
    u = float(abs(walk[at]))
    return Pettitt(u, at + 1, min(1.0, 2 * exp(-6 * u * u / (n**3 + n**2))))


def contact_change(
    begins_ms: NDArray[np.int64],
    counts: NDArray[np.integer[Any]],
    *,
    now_ms: int,
    outages: Sequence[Outage] = (),
) -> ContactChange | None:
    """Return the lasting fall of the share answered at the first try, None without one.

    The hours since some instant against all before it, seven days at least (see ``baselines``), in
    two ways: by the polls asked, and by the polls answered. The second sees retries grow at a site
    whose misses come in such bursts that the first sees little; it alone is no fall.
    The hour that is not over yet is left out; nothing is said where the newest one with polls began
    more than a day ago.

    Args:
        begins_ms: begins of clock hours, ascending [ms].
        counts: n x 3 asked, answered at the first try, missed, of the same hours.
        now_ms: now [ms].
        outages: the site's, where they are known: hours they touch are left out, because an outage
            is told as one. Hours without any answer, and those beside them, are left out always.

    """
    polled = (counts[:, 0] > 0) & (begins_ms + _HOUR_MS <= now_ms)
    begins, rows = begins_ms[polled], counts[polled]
    if not len(begins) or now_ms - begins[-1] > _OLD_MS:
        return None
    heard = _heard_hours(rows) & ~_touched(begins, outages, now_ms)
    begins, rows = begins[heard], rows[heard]
    if not len(rows):
        return None
    evidence = max(_evidences(rows), key=lambda blocks: window_scores(blocks, newest_only=True)[0])
    if window_scores(evidence, newest_only=True)[0] < LIMIT:
        return None
    first = len(rows) - (len(evidence.asked) - best_window(evidence)) * evidence.hours
    before, after = (share_of(part[:, 1], part[:, 0]) for part in (rows[:first], rows[first:]))
    if (after.share or 0.0) >= (before.share or 0.0):
        return None
    return ContactChange(
        at_ms=int(begins[first]),
        before=before,
        after=after,
        delivered=_delivered(rows[first:]),
        false_alarms=FALSE_ALARMS,
    )


def signal_step(begins_ms: NDArray[np.int64], means: Floats) -> int | None:
    """Return the index of the first hour after the clearest step of the signal that still holds.

    Ours: the medians of the 24 known hours before (within three days) and of the 2 to 24 after
    differ by 6 dB at least and by four times the usual scatter (median absolute deviation) of the
    hours before, and the newest hours have not gone back by half of it. A step up is told as well.

    Args:
        begins_ms: begins of clock hours, ascending [ms].
        means: mean signal of the same hours [dBm], NaN where there was none.

    Returns:
        An index into ``means``, None without such a step.

    """
    known = np.flatnonzero(~np.isnan(means))
    levels = means[known]
    best, clearest = None, 0.0
    for first in _likely_steps(begins_ms[known], levels):
        gain = _step_gain(levels, first)
        if gain > clearest:
            best, clearest = first, gain
    return None if best is None else int(known[best])


def step_between(at_ms: NDArray[np.int64], dbm: Floats) -> SignalStep | None:
    """Return between which two readings the signal stepped, with the medians on both sides.

    The split that leaves the least distance of readings from the median of their own side; single
    outliers weigh as much as they are off, so they move neither median nor split.

    Args:
        at_ms: when the readings were taken, ascending; those of a few hours round the step.
        dbm: the readings [dBm], NaN where there was none.

    Returns:
        The step, None where the medians differ by less than 6 dB or a side has under 3 readings.

    """
    known = ~np.isnan(dbm)
    times, levels = at_ms[known], dbm[known]
    if len(levels) < 2 * _LEAST_READINGS:
        return None
    splits = range(1, len(levels))
    at = min(splits, key=lambda split: _unrest(levels[:split]) + _unrest(levels[split:]))
    if min(at, len(levels) - at) < _LEAST_READINGS:
        return None
    before, after = float(np.median(levels[:at])), float(np.median(levels[at:]))
    if abs(after - before) < LEAST_STEP_DB:
        return None
    return SignalStep(int(times[at - 1]), int(times[at]), before, after)


def step_between_hours(
    begins_ms: NDArray[np.int64], means: Floats, place: int
) -> SignalStep | None:
    """Return a step as hours tell it, where too few readings lie beside it.

    Args:
        begins_ms: begins of clock hours, ascending [ms].
        means: mean signal of the same hours [dBm], NaN where there was none.
        place: the first hour after the step, as ``signal_step`` names it.

    """
    known = np.flatnonzero(~np.isnan(means))
    at = int(np.searchsorted(known, place))
    before, after = known[max(0, at - _STEP_HOURS) : at], known[at : at + _STEP_HOURS]
    if len(before) < _LEAST_READINGS or not len(after):
        return None
    was, now = float(np.median(means[before])), float(np.median(means[after]))
    if abs(now - was) < LEAST_STEP_DB:
        return None
    return SignalStep(int(begins_ms[before[-1]]) + _HOUR_MS, int(begins_ms[place]), was, now)


# --- inside ---------------------------------------------------------------------------


def _heard_hours(rows: NDArray[np.integer[Any]]) -> NDArray[np.bool_]:
    """Return which hours have an answer in them and beside them: the others are an outage's."""
    silent = np.concatenate(([False], rows[:, 2] >= rows[:, 0], [False]))
    return ~(silent[:-2] | silent[1:-1] | silent[2:])


def _evidences(rows: NDArray[np.integer[Any]]) -> tuple[Blocks, Blocks]:
    """Return polls not answered at the first try: of those asked, and of those answered."""
    asked, first_try, missed = rows.T
    return (
        blocks_of(asked - first_try, asked),
        blocks_of(asked - missed - first_try, asked - missed),
    )


def _touched(
    begins_ms: NDArray[np.int64], outages: Sequence[Outage], now_ms: int
) -> NDArray[np.bool_]:
    touched = np.zeros(len(begins_ms), bool)
    for begin, end in silent_spans(outages, now_ms):
        touched |= (begins_ms < end) & (begins_ms + _HOUR_MS > begin)
    return touched


def _delivered(rows: NDArray[np.integer[Any]]) -> Share:
    return share_of(rows[:, 0] - rows[:, 2], rows[:, 0])


def _likely_steps(begins_ms: NDArray[np.int64], levels: Floats) -> NDArray[np.intp]:
    """Return where an hour is clearly off the day before, of which not too much is missing."""
    firsts = np.arange(_STEP_HOURS, len(levels) - _LEAST_STEP_HOURS + 1)
    firsts = firsts[begins_ms[firsts - 1] - begins_ms[firsts - _STEP_HOURS] <= _STEP_WITHIN_MS]
    if not len(firsts):
        return firsts
    days = np.lib.stride_tricks.sliding_window_view(levels, _STEP_HOURS)[firsts - _STEP_HOURS]
    usual = np.median(days, axis=1)
    scatter = np.median(np.abs(days - usual[:, None]), axis=1)
    least = np.maximum(LEAST_STEP_DB, _MADS * _SIGMA * scatter)
    moved = np.abs(levels[firsts] - usual) >= least / 2
    return firsts[moved]


def _step_gain(levels: Floats, first: int) -> float:
    """Return by how much two levels fit better than one round a step, 0 where it is none."""
    before, after = levels[first - _STEP_HOURS : first], levels[first : first + _STEP_HOURS]
    usual = float(np.median(before))
    step = float(np.median(after)) - usual
    scatter = float(np.median(np.abs(before - usual)))
    newest = float(np.median(levels[max(first, len(levels) - _STEP_HOURS) :])) - usual
    holds = newest * step > 0 and abs(newest) >= abs(step) / 2
    if abs(step) < max(LEAST_STEP_DB, _MADS * _SIGMA * scatter) or not holds:
        return 0.0
    both = np.concatenate((before, after))
    return _unrest(both) - _unrest(before) - _unrest(after)


def _unrest(levels: Floats) -> float:
    return float(np.abs(levels - np.median(levels)).sum())

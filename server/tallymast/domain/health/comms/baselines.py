"""A site's newest hours against its own baseline, for every window that may hold a change.

A window is the newest 2 hours to 3 weeks; its baseline is every hour before, seven days at least.
The two are compared by the log likelihood ratio of their shares, divided by the dispersion of the
baseline's hours (and of its days, for windows of a day and more), so that bursts, a pattern over
the day and weather count as what they are: usual.

The limit comes from the false alarms that are let through. For independent polls the ratio of one
window passes h with a chance of at most e^-h (Chernoff's bound for a binomial share); a month has
720 hours in each of which 17 windows end, and whatever their dependence the chances add up at
most: h = ln(720 * 17 / 0.01) = 14.0 for one false alarm in 100 site-months. Dispersion makes that
an approximation, which simulations have to hold.
"""

from math import log
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.comms.intervals import USUAL_LAG1

LEAST_BASELINE_HOURS: Final = 168  # common practice, no published source: seven days
FALSE_ALARMS: Final = 0.01  # Ours, per site and month: a site is blamed for nothing in 8 years
WINDOWS_H: Final = (2, 3, 4, 6, 8, 12, 16, 24, 36, 48, 72, 96, 144, 192, 288, 384, 504)
LIMIT: Final = log(720 * len(WINDOWS_H) / FALSE_ALARMS)
_LEAST_FALL: Final = 0.01  # Ours: one poll in a hundred; less is no reason to drive
_LASTS: Final = 0.5  # Ours: the newest part must still be half as bad as the window
_USUAL: Final = (1 + USUAL_LAG1) / (1 - USUAL_LAG1)
_LEAST_RARE: Final = 10
_BLOCK_POLLS: Final = 40
_LEAST_BLOCKS: Final = 12
_LEAST_DAYS: Final = 7

Floats = NDArray[np.float64]


def window_scores(late: Floats, asked: Floats, *, newest_only: bool = False) -> Floats:
    """Return for each hour the best score of the windows that end with it; ``LIMIT`` is a change.

    Args:
        late: polls of each hour that were not answered at the first try, oldest first.
        asked: polls asked in the same hours, all above 0.
        newest_only: return that of the newest hour alone.

    """
    part, whole = _summed(late), _summed(asked)
    ends = np.arange(len(asked), len(asked) + 1) if newest_only else np.arange(1, len(asked) + 1)
    hours, days = _dispersions(late, asked)
    best = np.zeros(len(ends))
    for length in WINDOWS_H:
        fits = ends >= length + LEAST_BASELINE_HOURS
        if not fits.any():
            break
        begins = ends[fits] - length
        scatter = np.maximum(hours, days)[begins] if length >= 24 else hours[begins]
        score = _gain(part, whole, begins, ends[fits]) / scatter
        score[~_is_worse(part, whole, begins, ends[fits])] = 0.0
        best[fits] = np.maximum(best[fits], score)
    return best


def best_window(late: Floats, asked: Floats) -> int:
    """Return the hour with which the newest change most likely began, as an index.

    Args:
        late: polls of each hour that were not answered at the first try, oldest first.
        asked: polls asked in the same hours; more than ``LEAST_BASELINE_HOURS`` of them.

    """
    part, whole = _summed(late), _summed(asked)
    begins = np.arange(LEAST_BASELINE_HOURS, len(asked) - WINDOWS_H[0] + 1)
    ends = np.full_like(begins, len(asked))
    gain = _gain(part, whole, begins, ends)
    worse = part[ends] - part[begins] > (whole[ends] - whole[begins]) * part[begins] / whole[begins]
    return int(begins[np.argmax(np.where(worse, gain, 0.0))])


def log_likelihood(part: Floats, whole: Floats) -> Floats:
    """Return the greatest binomial log likelihood of shares, without its constant."""
    total: Floats = _x_log_x(part) + _x_log_x(whole - part) - _x_log_x(whole)
    return total


def _gain(part: Floats, whole: Floats, begins: NDArray[np.intp], ends: NDArray[np.intp]) -> Floats:
    """Return the log likelihood ratio of a window against all before it, for many windows."""
    before = log_likelihood(part[begins], whole[begins])
    window = log_likelihood(part[ends] - part[begins], whole[ends] - whole[begins])
    return before + window - log_likelihood(part[ends], whole[ends])


def _is_worse(
    part: Floats, whole: Floats, begins: NDArray[np.intp], ends: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """Return which windows are clearly worse than before, and still are in their newest part."""
    length = int(ends[0] - begins[0])
    newest = ends - (24 if length >= 24 else max(1, length // 3))
    usual = part[begins] / whole[begins]
    fall = (part[ends] - part[begins]) / (whole[ends] - whole[begins]) - usual
    late = (part[ends] - part[newest]) / (whole[ends] - whole[newest]) - usual
    worse: NDArray[np.bool_] = (fall >= _LEAST_FALL) & (late >= _LASTS * fall)
    return worse


def _dispersions(late: Floats, asked: Floats) -> tuple[Floats, Floats]:
    """Return the dispersion of the first n hours, n from 0 on: between hours, between days.

    As ``intervals.design_effect`` for every n at once.
    """
    hours = max(1, int(np.ceil(_BLOCK_POLLS / np.median(asked))))
    days = _dispersion(late, asked, 24, _LEAST_DAYS, unknown=1.0)
    return _dispersion(late, asked, hours, _LEAST_BLOCKS, unknown=_USUAL), days


def _dispersion(
    late: Floats, asked: Floats, hours: int, least_blocks: int, unknown: float
) -> Floats:
    """Return the dispersion between whole blocks of the first n hours, n from 0 on."""
    blocks = len(asked) // hours
    x = late[: blocks * hours].reshape(blocks, hours).sum(axis=1)
    n = asked[: blocks * hours].reshape(blocks, hours).sum(axis=1)
    part, whole = _summed(x), _summed(n)
    share = part / np.maximum(whole, 1.0)
    squares = _summed(x * x) - 2 * share * _summed(x * n) + share**2 * _summed(n * n)
    count = np.arange(blocks + 1)
    usual = whole * share * (1 - share)
    rare = np.minimum(part, whole - part)
    known = (rare >= _LEAST_RARE) & (count >= least_blocks)
    found = squares * count / np.maximum(count - 1, 1) / np.where(usual > 0, usual, 1.0)
    by_block = np.where(known, np.maximum(found, 1.0), unknown)
    return by_block[np.arange(len(asked) + 1) // hours]


def _summed(row: Floats) -> Floats:
    return np.concatenate(([0.0], np.cumsum(row)))


def _x_log_x(x: Floats) -> Floats:
    return np.where(x > 0, x * np.log(np.where(x > 0, x, 1.0)), 0.0)

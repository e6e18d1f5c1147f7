"""A site's newest hours against its own baseline, for every window that may hold a change.

A window is the newest 2 blocks to 40 days; a block is an hour, or as many as hold 30 polls. Its
baseline is every hour before, seven days at least. The window without its worst block (one long
burst, or half an outage, is no change) is compared with the baseline by the log likelihood ratio
of their shares, drawn up to the length of the window: with its worst block, which is no better
than the others, it would score at least that. The ratio is divided by the dispersion of the
baseline between blocks or between days, whichever is more: so bursts, a pattern over the day and
weather count as what they are, usual.

The limit comes from the false alarms that are let through. For independent polls the ratio of one
window passes h with a chance of at most e^-h (Chernoff's bound for a binomial share); a month has
720 hours in each of which 19 windows end, each is looked at in two ways (of the polls asked, of
those answered), and whatever their dependence the chances add up at most:
h = ln(2 * 720 * 19 / 0.01) = 14.8 for one false alarm in 100 site-months. Dispersion makes that an
approximation, which simulations have to hold.
"""

from math import ceil, log
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.comms.intervals import USUAL_LAG1

LEAST_BASELINE_HOURS: Final = 168  # common practice, no published source: seven days
FALSE_ALARMS: Final = 0.01  # Ours, per site and month: a site is blamed for nothing in 8 years
WINDOWS: Final = (2, 3, 4, 6, 8, 12, 16, 24, 36, 48, 72, 96, 144, 192, 288, 384, 504, 720, 960)
LIMIT: Final = log(2 * 720 * len(WINDOWS) / FALSE_ALARMS)
_LEAST_FALL: Final = 0.01  # Ours: one poll in a hundred; less is no reason to drive
_LASTS: Final = 0.5  # Ours: the newest part must still be half as bad as the window
_DAY_H: Final = 24
_USUAL: Final = (1 + USUAL_LAG1) / (1 - USUAL_LAG1)
_LEAST_RARE: Final = 10  # Ours, as in intervals.py: fewer misses show no scatter to rely on
_LEAST_BLOCKS: Final = 12
_LEAST_DAYS: Final = 7
_BLOCK_POLLS: Final = 30  # Ours: enough to see a fall of the share in two blocks

Floats = NDArray[np.float64]
Places = NDArray[np.intp]


class _Sums(NamedTuple):
    """Late and asked polls of the first n blocks, n from 0 on, and the log likelihood of those."""

    late: Floats
    asked: Floats
    likelihood: Floats


class Blocks(NamedTuple):
    """Polls by blocks of some hours, oldest first: how many hours, late, asked.

    Late are the polls that were not answered at the first try.
    """

    hours: int
    late: Floats
    asked: Floats


class _Windows(NamedTuple):
    """Windows of one length: index of their first block, and of the one after their last."""

    begins: Places
    ends: Places

    @property
    def length(self) -> int:
        return int(self.ends[0] - self.begins[0])


def blocks_of(late: NDArray[np.integer[Any]], asked: NDArray[np.integer[Any]]) -> Blocks:
    """Return hours joined to blocks that end with the newest; a rest at the old end is left out.

    Args:
        late: polls of each hour that were not answered at the first try, oldest first.
        asked: polls asked in the same hours, all above 0, one hour at least.

    """
    hours = min(max(1, ceil(_BLOCK_POLLS / float(np.median(asked)))), len(asked))
    rest = len(asked) % hours
    x, n = (row[rest:].reshape(-1, hours).sum(axis=1).astype(np.float64) for row in (late, asked))
    return Blocks(hours, x, n)


def window_scores(blocks: Blocks, *, newest_only: bool = False) -> Floats:
    """Return for each block the best score of the windows that end with it; ``LIMIT`` is a change.

    Args:
        blocks: a site's polls.
        newest_only: return that of the newest block alone.

    """
    count = len(blocks.asked)
    ends = np.arange(count if newest_only else 1, count + 1)
    scatter, worst, sums = _scatter(blocks), _Worst(blocks), _sums(blocks)
    best = np.zeros(len(ends))
    for length in WINDOWS:
        fits = ends >= length + _least_baseline(blocks)
        if not fits.any():
            break
        windows = _Windows(ends[fits] - length, ends[fits])
        left_out = worst(windows)
        score = _gain(sums, windows, blocks.late[left_out], blocks.asked[left_out])
        score /= scatter[windows.begins]
        score[~_is_worse(sums, windows, max(1, _DAY_H // blocks.hours))] = 0.0
        best[fits] = np.maximum(best[fits], score)
    return best


def best_window(blocks: Blocks) -> int:
    """Return the block with which the newest change most likely began, as an index.

    Args:
        blocks: a site's polls, for which ``window_scores`` has named a change.

    """
    count = len(blocks.asked)
    begins = np.arange(_least_baseline(blocks), count - WINDOWS[0] + 1)
    gain = _gain(_sums(blocks), _Windows(begins, np.full_like(begins, count)))
    return int(begins[np.argmax(gain)])


def log_likelihood(part: Floats, whole: Floats) -> Floats:
    """Return the greatest binomial log likelihood of shares, without its constant."""
    total: Floats = _x_log_x(part) + _x_log_x(whole - part) - _x_log_x(whole)
    return total


# --- inside ---------------------------------------------------------------------------


def _least_baseline(blocks: Blocks) -> int:
    return ceil(LEAST_BASELINE_HOURS / blocks.hours)


def _sums(blocks: Blocks) -> _Sums:
    late, asked = _summed(blocks.late), _summed(blocks.asked)
    return _Sums(late, asked, log_likelihood(late, asked))


def _gain(
    sums: _Sums,
    windows: _Windows,
    late_left_out: Floats | float = 0.0,
    asked_left_out: Floats | float = 0.0,
) -> Floats:
    """Return the log likelihood ratio of worse windows, each without a block, against all before.

    Drawn up to the whole window; 0 where it is not worse.
    """
    x, n = sums.late[windows.begins], sums.asked[windows.begins]
    whole = sums.asked[windows.ends] - n
    late, asked = sums.late[windows.ends] - x - late_left_out, whole - asked_left_out
    apart = sums.likelihood[windows.begins] + log_likelihood(late, asked)
    gain = (apart - log_likelihood(x + late, n + asked)) * whole / asked
    return np.where(late * n > x * asked, gain, 0.0)


class _Worst:
    """Finds the block of any window with the most late polls beyond the usual."""

    def __init__(self, blocks: Blocks) -> None:
        """Keep for each block the worst of the 1, 2, 4, … from it on."""
        self._beyond = blocks.late - blocks.asked * (blocks.late.sum() / blocks.asked.sum())
        self._of = [np.arange(len(blocks.asked))]
        while len(self._of[-1]) > 2 ** (len(self._of) - 1):
            half = 2 ** (len(self._of) - 1)
            self._of.append(self._worse(self._of[-1][:-half], self._of[-1][half:]))

    def __call__(self, windows: _Windows) -> Places:
        level = windows.length.bit_length() - 1
        of = self._of[level]
        return self._worse(of[windows.begins], of[windows.ends - 2**level])

    def _worse(self, one: Places, other: Places) -> Places:
        return np.where(self._beyond[one] >= self._beyond[other], one, other)


def _is_worse(sums: _Sums, windows: _Windows, day: int) -> NDArray[np.bool_]:
    """Return which windows are clearly worse than before, and still are in their newest part."""
    begins, ends = windows
    newest = ends - (day if windows.length >= day else max(1, windows.length // 3))
    usual = sums.late[begins] / sums.asked[begins]
    fall = (sums.late[ends] - sums.late[begins]) / (sums.asked[ends] - sums.asked[begins]) - usual
    late = (sums.late[ends] - sums.late[newest]) / (sums.asked[ends] - sums.asked[newest]) - usual
    worse: NDArray[np.bool_] = (fall >= _LEAST_FALL) & (late >= _LASTS * fall)
    return worse


def _scatter(blocks: Blocks) -> Floats:
    """Return the dispersion of the first n blocks, n from 0 on: between blocks or between days."""
    days = _dispersion(blocks, max(1, _DAY_H // blocks.hours), _LEAST_DAYS, unknown=1.0)
    return np.maximum(_dispersion(blocks, 1, _LEAST_BLOCKS, unknown=_USUAL), days)


def _dispersion(blocks: Blocks, size: int, least: int, unknown: float) -> Floats:
    """Return the dispersion between groups of blocks in the first n blocks, n from 0 on.

    As ``intervals.design_effect``, for every n at once.
    """
    groups = len(blocks.asked) // size
    x, n = (
        row[: groups * size].reshape(groups, size).sum(axis=1)
        for row in (blocks.late, blocks.asked)
    )
    part, whole = _summed(x), _summed(n)
    share = part / np.maximum(whole, 1.0)
    squares = _summed(x * x) - 2 * share * _summed(x * n) + share**2 * _summed(n * n)
    count = np.arange(groups + 1)
    known = (np.minimum(part, whole - part) >= _LEAST_RARE) & (count >= least)
    independent = np.where(known, whole * share * (1 - share), 1.0)
    found = squares * count / np.maximum(count - 1, 1) / independent
    by_group = np.where(known, np.maximum(found, 1.0), unknown)
    return by_group[np.arange(len(blocks.asked) + 1) // size]


def _summed(row: Floats) -> Floats:
    return np.concatenate(([0.0], np.cumsum(row)))


def _x_log_x(x: Floats) -> Floats:
    product: Floats = x * np.log(np.maximum(x, 1e-9))  # counts: 0 or 1 and more
    return product

"""A robust line through a night's figures: Theil-Sen's slope, and whether there is a trend.

It detects a decline. When a battery will be empty it does not say: a straight line through
volts errs to the dangerous side (see forecast.py).
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.nights import Night
from tallymast.domain.health.supply.model import Trend

Floats = NDArray[np.float64]

LEAST_NIGHTS = 7
_Z95 = 1.959963984540054  # 97.5 % quantile of the normal distribution
_SAME_V = 1e-4  # voltages nearer than this are the same step


def theil_sen(x: Floats, y: Floats) -> tuple[float, float, float]:
    """Return the median slope of all pairs and its 95 % interval, low end first.

    Args:
        x: at least two different places.
        y: a number at each.

    Raises:
        ValueError: there are not two different places.

    Source: P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379; ties as in scipy.stats.theilslopes,
    which the tests compare with.

    """
    first, second = np.triu_indices(len(x), 1)
    run = x[second] - x[first]
    apart = run != 0.0
    slopes = np.sort((y[second] - y[first])[apart] / run[apart])
    count = len(slopes)
    if not count:
        raise ValueError("A slope needs two different places.")
    spread = _Z95 * math.sqrt(max(_kendall_variance(x, y), 0.0))
    high = min(round((count + spread) / 2), count - 1)
    low = max(round((count - spread) / 2) - 1, 0)
    return float(np.median(slopes)), float(slopes[low]), float(slopes[high])


def mann_kendall_z(y: Floats) -> float:
    """Return the standard score of Mann and Kendall's test for a trend; 0 where all are equal.

    Source: H. B. Mann, Econometrica 13 (1945) 245; M. G. Kendall, Rank Correlation Methods
    (1975); ties and continuity as usual, compared with figures of pymannkendall in the tests.

    """
    first, second = np.triu_indices(len(y), 1)
    score = float(np.sign(y[second] - y[first]).sum())
    variance = _kendall_variance(np.arange(len(y), dtype=np.float64), y)
    if score == 0.0 or variance <= 0.0:
        return 0.0
    return (score - math.copysign(1.0, score)) / math.sqrt(variance)


def _kendall_variance(x: Floats, y: Floats) -> float:
    return (_ties(np.array([len(x)])) - _ties(_repeats(x)) - _ties(_repeats(y))) / 18.0


def _repeats(numbers: Floats) -> NDArray[np.int64]:
    counts = np.unique(numbers, return_counts=True)[1]
    return np.asarray(counts[counts > 1], dtype=np.int64)


def _ties(counts: NDArray[np.int64]) -> float:
    return float((counts * (counts - 1) * (2 * counts + 5)).sum())


def trend_of(days: Sequence[int], volts: Sequence[float], resolution_v: float = 0.0) -> Trend:
    """Return the trend of a night's figure, the meter's steps included in its interval.

    Args:
        days: local days counted from 1970-01-01, ascending, at least two.
        volts: a figure for each [V].
        resolution_v: steps the meter counts in [V]; a whole step may lie between the first and
            the last figure without anything having changed.

    """
    x, y = np.array(days, dtype=np.float64), np.array(volts, dtype=np.float64)
    slope, low, high = theil_sen(x, y)
    wider = resolution_v / max(float(x[-1] - x[0]), 1.0)
    return Trend(len(days), slope, low - wider, high + wider)


def steps_of(nights: Sequence[Night]) -> float:
    """Return the steps a meter counts in, from its own lowest and highest readings [V].

    0 where they never differ: then nothing is known of it.
    """
    found = {
        value for night in nights for value in (night.low_v, night.peak_v) if value is not None
    }
    apart = np.diff(np.array(sorted(found)))
    apart = apart[apart > _SAME_V]
    return float(apart.min()) if len(apart) else 0.0

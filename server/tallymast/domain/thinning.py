"""Makes a long series short enough to draw without losing a dip, a peak or a gap."""

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.int64]
Values = NDArray[np.float64]


def thin(at_ms: Times, value: Values, most: int) -> tuple[Times, Values]:
    """Return at most ``most`` of the entries of a series, extremes and gaps kept.

    Args:
        at_ms: instants, ascending, shape (n,).
        value: values, NaN where there is a gap, shape (n,).
        most: how many entries may remain, at least 3.

    """
    keep = kept(value, most)
    return at_ms[keep], value[keep]


def kept(value: Values, most: int) -> NDArray[np.int64]:
    """Return which entries of a series ``thin`` keeps, ascending.

    All if the series is short enough. Otherwise of each run of neighbours the lowest and the
    highest value, and one gap where the run holds any.
    """
    if len(value) <= most:
        return np.arange(len(value))
    runs = max(most // 3, 1)
    long = -(-len(value) // runs)
    filled = np.full(runs * long, np.nan)
    filled[: len(value)] = value
    table = filled.reshape(runs, long)
    gaps = np.isnan(table)
    first = np.arange(runs) * long
    picks = [
        first + np.argmin(np.where(gaps, np.inf, table), axis=1),
        first + np.argmax(np.where(gaps, -np.inf, table), axis=1),
        (first + np.argmax(gaps, axis=1))[gaps.any(axis=1)],
    ]
    keep = np.unique(np.concatenate(picks))
    return keep[keep < len(value)]

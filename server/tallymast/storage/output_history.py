"""Reads from the record since when an output is off, and how often it was switched on.

Where a contact proves the output's effect, that contact counts; else the output's own reading.
What nobody read is not known to have been off.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from tallymast.domain.model import Point, PointKind, SitePlan
from tallymast.storage.readings import Goodness, raw_series

# Ours: two readings further apart leave open what the output did between them.
GAP_POLLS: Final = 3
GAP_LEAST_MS: Final = 60_000

_SWITCHED: Final = (PointKind.DISCRETE_OUTPUT, PointKind.PULSE_OUTPUT)
_CONTACTS: Final = (PointKind.DISCRETE_INPUT, PointKind.DISCRETE_OUTPUT)


def history(
    conn: Connection, plan: SitePlan, point: Point, from_ms: int, to_ms: int
) -> tuple[int | None, int | None]:
    """Return since when an output is off, and its starts, as read in ``from_ms <= t < to_ms``.

    Returns:
        The first of the unbroken readings that it was off up to the newest [UTC ms]; None
        where the newest says on, or nothing was read lately: then it is not known to be off.
        How often it was seen to come on, at the span's first reading not counted; None where
        it was never read.

    """
    seen = _seen_point(plan, point)
    if seen is None:
        return None, None
    series = raw_series(conn, plan.site_id, seen.tag, from_ms, to_ms)
    good = series.quality >= Goodness.GOOD
    at_ms, is_on = series.at_ms[good], series.value[good] != 0
    if not len(at_ms):
        return None, None
    gap_ms = max(GAP_LEAST_MS, round(1000 * GAP_POLLS * plan.site.poll_every_s))
    starts = int(np.count_nonzero(is_on[1:] & ~is_on[:-1]))
    return _off_since(at_ms, is_on, gap_ms, to_ms), starts


def _seen_point(plan: SitePlan, point: Point) -> Point | None:
    """Return the point whose readings say whether the output is on; None where nothing does."""
    if point.kind not in _SWITCHED:
        return None
    proof = plan.site.point(point.feedback.tag) if point.feedback else None
    return proof if proof is not None and proof.kind in _CONTACTS else point


def _off_since(
    at_ms: NDArray[np.int64], is_on: NDArray[np.bool_], gap_ms: int, to_ms: int
) -> int | None:
    if is_on[-1] or to_ms - int(at_ms[-1]) > gap_ms:
        return None
    breaks = np.flatnonzero(is_on[:-1] | (np.diff(at_ms) > gap_ms))
    first = int(breaks[-1]) + 1 if len(breaks) else 0
    return int(at_ms[first])

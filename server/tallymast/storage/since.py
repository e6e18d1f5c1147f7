"""Finds out since when something holds of a point, from hours first and then from readings."""

from typing import Final

import numpy as np
from sqlalchemy import Connection

from tallymast.domain.health.since import Holds, Since
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.storage.readings import raw_series
from tallymast.storage.span_readings import hour_series

LOOKED_BACK_MS: Final = 45 * 24 * HOUR_MS  # ours: what is older is told as older
_NEAR_MS: Final = 3 * HOUR_MS


def since(conn: Connection, site_id: int, tag: str, holds: Holds, now_ms: int) -> Since:
    """Return since when a condition holds of a point's values, as far as 45 days back.

    Args:
        conn: a reading connection.
        site_id: whose.
        tag: which point.
        holds: the condition; it holds now.
        now_ms: now.

    """
    found = _in(conn, site_id, tag, holds, now_ms - _NEAR_MS, now_ms + 1)
    if found is not None:
        return found
    hours = hour_series(conn, site_id, tag, now_ms - LOOKED_BACK_MS, now_ms)
    broken = np.flatnonzero(holds.broken_in(hours.n, hours.least, hours.most))
    if not len(broken):
        return Since(None)
    # The hour it broke in last, and what follows until it is read again: a gap may lie between.
    begin_ms = int(hours.at_ms[broken[-1]])
    return _in(conn, site_id, tag, holds, begin_ms, begin_ms + _NEAR_MS) or Since(None)


def _in(
    conn: Connection, site_id: int, tag: str, holds: Holds, from_ms: int, to_ms: int
) -> Since | None:
    """Return since when it holds where a reading of the span still breaks it, else None."""
    series = raw_series(conn, site_id, tag, from_ms, to_ms)
    broken = np.flatnonzero(holds.broken_by(series.value))
    if not len(broken):
        return None
    last = int(broken[-1])
    after = np.arange(last + 1, len(series))
    if not holds.nothing:
        after = after[~np.isnan(series.value[after])]
    begin_ms = int(series.at_ms[after[0]]) if len(after) else None
    return Since(begin_ms, int(series.at_ms[last]), float(series.value[last]))

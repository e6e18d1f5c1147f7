"""Says which readings are in doubt because the computer's clock was set back.

Where a clock is set back, a stretch of time is passed twice. Both passes are kept, and of
neither does anybody know whether its instants are the true ones: what was read then is suspect.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from tallymast.storage.episodes import between

KIND = "clock"


def suspect_spans(
    conn: Connection, site_id: int, from_ms: int, to_ms: int
) -> list[tuple[int, int]]:
    """Return the stretches of a site's time that were passed twice and touch a span.

    Args:
        conn: a reading connection.
        site_id: whose.
        from_ms: the span's beginning, UTC milliseconds.
        to_ms: its end, not included.

    Returns:
        First and last instant of each, both included, oldest first.

    """
    found = between(conn, from_ms - 1, to_ms, site_id=site_id, kind=KIND)
    spans = [(one.from_ms, one.from_ms if one.to_ms is None else one.to_ms) for one in found]
    return [(first, last) for first, last in spans if last >= from_ms]


def is_suspect(at_ms: NDArray[np.int64], spans: Sequence[tuple[int, int]]) -> NDArray[np.bool_]:
    """Return which instants lie in one of the spans, their ends included.

    Args:
        at_ms: instants, shape (n,), in any order.
        spans: as ``suspect_spans`` returns them; they may overlap.

    Returns:
        Shape (n,).

    """
    doubted = np.zeros(len(at_ms), np.bool_)
    for first, last in spans:
        doubted |= (first <= at_ms) & (at_ms <= last)
    return doubted

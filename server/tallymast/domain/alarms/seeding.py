"""What a start takes over from the record, so that alarms that need a while are not blind anew.

Only what goes on up to the start is taken: readings after the newest break that is longer than a
value is fresh. What was read before such a break is stale, and begins nothing.
"""

from collections.abc import Iterable, Sequence

from tallymast.domain.alarms.counting import Count, Counted, counted
from tallymast.domain.alarms.moving import Trace
from tallymast.domain.model import Point


def unbroken_from(at_ms: Sequence[int], now_ms: int, longest_ms: int) -> int:
    """Return the index of the first reading that goes on up to ``now_ms`` without a break.

    Args:
        at_ms: when readings were taken, ascending [UTC ms].
        now_ms: the start; a reading after it breaks what was before it: the clock was set back.
        longest_ms: how far two readings may lie apart, and the newest before the start.

    Returns:
        ``len(at_ms)`` where not even the newest is fresh.

    """
    later_ms = now_ms
    for n in range(len(at_ms) - 1, -1, -1):
        if not 0 <= later_ms - at_ms[n] <= longest_ms:
            return n + 1
        later_ms = at_ms[n]
    return 0


def traced(readings: Iterable[tuple[int, float]], span_s: float) -> Trace:
    """Return the trace that was followed by readings, as (UTC ms, value), ascending."""
    trace = Trace()
    for at_ms, value in readings:
        trace = trace.followed(at_ms, value, span_s)
    return trace


def recounted(
    at_ms: Sequence[int],
    raw: Sequence[float],
    restarts: Sequence[float | None],
    point: Point,
    *,
    has_counter: bool,
) -> Counted | None:
    """Return what would be remembered of a totalizer that was followed, None where nothing is.

    Args:
        at_ms: when it was read, ascending [UTC ms].
        raw: its counts.
        restarts: the restart counter read in the same poll; None where it was not.
        point: the totalizer.
        has_counter: whether the site has a restart counter. Until it is known nothing is taken
            over: a step back could not be explained by it.

    """
    found: Counted | None = None
    known: tuple[float, int] | None = None
    for when, count, counter in zip(at_ms, raw, restarts, strict=True):
        known = known if counter is None else (counter, when)
        if has_counter and known is None:
            continue
        found = counted(found, Count(when, count, *(known or (None, None))), point)
    return found

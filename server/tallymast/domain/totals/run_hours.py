"""How long something ran and how often it started, and how much of that is known.

A station's own counters of hours and starts say it best: they count while nobody asks. Without
them the polled state has to do: each reading holds until the next, a gap is unknown, and what
lasts shorter than a poll period may be missed.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.model import Point

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class RunTime:
    """How something ran in a span.

    Attributes:
        span_ms: how long the span is.
        known_ms: for how long it is known whether it ran.
        ran_ms: how long it ran of that.
        starts: how often it started, as was seen.
        by_station: whether the station counted itself; else its polled state did.
        starts_known_ms: for how long the station's own count of starts is known; None: it has none.

    """

    span_ms: int
    known_ms: int
    ran_ms: float
    starts: int
    by_station: bool = False
    starts_known_ms: int | None = None

    @property
    def most_ms(self) -> float:
        """How long it ran at most: all the time that is not known, besides."""
        return self.ran_ms + self.span_ms - self.known_ms

    @property
    def known_share(self) -> float:
        """For which share of the span it is known whether it ran, 0..1."""
        return self.known_ms / self.span_ms if self.span_ms else 0.0


def ran(at_ms: Ints, on: NDArray[np.bool_], span: tuple[int, int], longest_ms: int) -> RunTime:
    """Return how something ran, from its polled state.

    Args:
        at_ms: instants of good readings, ascending; also the last before the span, so that it is
            known how it began.
        on: whether it ran at each.
        span: begin and end, UTC milliseconds.
        longest_ms: a longer pause between two readings is a gap; of it nothing is known.

    A reading holds until the next one. A start over a gap is counted where the state before it
    was off: that there was one is sure, when is not.

    """
    begin, end = span
    if not len(at_ms):
        return RunTime(end - begin, 0, 0.0, 0)
    nexts = np.append(at_ms[1:], min(end, int(at_ms[-1]) + longest_ms))
    holds = (nexts - at_ms) <= longest_ms
    lengths = np.clip(np.minimum(nexts, end) - np.maximum(at_ms, begin), 0, None)
    started = on[1:] & ~on[:-1] & (at_ms[1:] >= begin) & (at_ms[1:] < end)
    return RunTime(
        end - begin,
        int(lengths[holds].sum()),
        float(lengths[holds & on].sum()),
        int(np.count_nonzero(started)),
    )


def may_be_missed(shortest_s: float | None, poll_every_s: float) -> str:
    """Return in a sentence that short states are not all seen; empty where they are.

    Args:
        shortest_s: the shortest time it stays in a state, as known; None: not known.
        poll_every_s: how often it is looked at.

    A state that lasts longer than a poll period is seen [the sampling theorem in its plainest
    form: two instants further apart than the period have a poll between them].

    """
    if shortest_s is not None and shortest_s > poll_every_s:
        return ""
    return f"A start or stop shorter than the poll period of {poll_every_s:g} s may be missed."


def hours_each(point: Point) -> float | None:
    """Return how many hours one count of a duration stands for, None for an unknown unit."""
    units = {"s": 3600.0, "sec": 3600.0, "min": 60.0, "h": 1.0, "hr": 1.0, "hours": 1.0}
    unit = units.get(point.unit.strip().lower())
    if unit is None:
        return None
    slope = 1.0
    if point.raw and point.value:
        slope = (point.value[1] - point.value[0]) / (point.raw[1] - point.raw[0])
    return slope / unit

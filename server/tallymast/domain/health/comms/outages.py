"""Outages from single polls, and what they take away from the time a site was to be reached.

Lists of spans are of (from, to) [ms], half open; they may overlap and be in any order.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.comms.model import Outage

Span = tuple[int, int]


def outages_of(
    site_id: int,
    at_ms: NDArray[np.int64],
    answered: NDArray[np.bool_],
    *,
    miss_limit: int,
    least_ms: int = 60_000,
) -> list[Outage]:
    """Return a site's outages, oldest first.

    An outage is a run of at least ``miss_limit`` missed polls, the last of them at least
    ``least_ms`` after the first. It lasts from the first miss to the first answer after it. Polls
    that were lost with their gateway are neither answered nor missed and are not handed in.

    Args:
        site_id: whose.
        at_ms: when it was polled, ascending.
        answered: whether it answered, of the same length.
        miss_limit: misses in a row that make a site fail.
        least_ms: shorter runs are no outage [ms].

    """
    edges = np.diff(np.concatenate(([0], (~answered).astype(np.int8), [0])))
    runs = zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True)
    return [
        _outage(site_id, at_ms, int(first), int(after))
        for first, after in runs
        if after - first >= miss_limit and at_ms[after - 1] - at_ms[first] >= least_ms
    ]


def cut(outages: Iterable[Outage], from_ms: int, to_ms: int) -> list[Outage]:
    """Return the outages that touch a period, cut to it.

    One that still lasts keeps its open end: how long it lasted in the period is
    ``lasted_ms(to_ms)``. Misses and the answer before it stay those of the whole outage.
    """
    return [
        replace(
            one,
            from_ms=max(one.from_ms, from_ms),
            to_ms=None if one.to_ms is None else min(one.to_ms, to_ms),
        )
        for one in outages
        if one.from_ms < to_ms and (one.to_ms is None or one.to_ms > from_ms)
    ]


def silent_spans(outages: Iterable[Outage], now_ms: int) -> list[Span]:
    """Return the spans of outages; one that still lasts goes to now."""
    ends = ((one.from_ms, now_ms if one.to_ms is None else one.to_ms) for one in outages)
    return [(begin, end) for begin, end in ends if begin < end]


# --- spans ----------------------------------------------------------------------------


def merged(spans: Iterable[Span]) -> list[Span]:
    """Return spans in order, those that touch or overlap as one; empty ones are left out."""
    joined: list[Span] = []
    for begin, end in sorted(span for span in spans if span[0] < span[1]):
        if joined and begin <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((begin, end))
    return joined


def within(spans: Iterable[Span], others: Iterable[Span]) -> list[Span]:
    """Return what lies in both lists of spans."""
    seconds = merged(others)
    both = (
        (max(begin, first), min(end, last))
        for begin, end in merged(spans)
        for first, last in seconds
    )
    return [(begin, end) for begin, end in both if begin < end]


def without(spans: Iterable[Span], holes: Iterable[Span]) -> list[Span]:
    """Return what of the spans lies outside the holes."""
    left: list[Span] = []
    gaps = merged(holes)
    for begin, end in merged(spans):
        for first, last in gaps:
            if begin < min(first, end):
                left.append((begin, min(first, end)))
            begin = max(begin, min(last, end))  # noqa: PLW2901 - what is left of this span
        if begin < end:
            left.append((begin, end))
    return left


def length_ms(spans: Iterable[Span]) -> int:
    """Return how long spans last together [ms]; what overlaps counts once."""
    return sum(end - begin for begin, end in merged(spans))


# --- figures --------------------------------------------------------------------------


def availability(in_service_ms: float, down_ms: float) -> float | None:
    """Return 1 - down / in service, None where it was never in service.

    The same as MTBF / (MTBF + MTTR), with the mean time between failures as time up.
    """
    return 1 - down_ms / in_service_ms if in_service_ms > 0 else None


def mtbf_ms(in_service_ms: float, down_ms: float, failures: int) -> float | None:
    """Return the mean time between failures, time up by failures [ms]; None without a failure."""
    return (in_service_ms - down_ms) / failures if failures else None


def mttr_ms(lasted_ms: Sequence[float]) -> float | None:
    """Return the mean time to restore [ms] of outages that ended, None without one."""
    return sum(lasted_ms) / len(lasted_ms) if lasted_ms else None


def _outage(site_id: int, at_ms: NDArray[np.integer[Any]], first: int, after: int) -> Outage:
    return Outage(
        site_id,
        from_ms=int(at_ms[first]),
        to_ms=int(at_ms[after]) if after < len(at_ms) else None,
        missed=after - first,
        last_answer_ms=int(at_ms[first - 1]) if first else None,
    )

"""What a station's counter holds of what really flowed.

A station without power counts nothing; a station that restarts may begin again with an older
number. Both are exact functions of the instant, like everything else here.
"""

import math
from collections.abc import Callable, Sequence

import numpy as np

from tallymast.domain.model import Point, Site
from tallymast.simulator.chance import Floats
from tallymast.simulator.faults import Fault, FaultKind, Faults

Span = tuple[float, float]  # from, to [s since 1970 UTC]; to may be infinity
Gross = Callable[[Floats], Floats]  # what really flowed by each instant


def counted(gross: Gross, uncounted: Sequence[Span], at_s: Floats) -> Floats:
    """Return how much of a flow was counted by each instant.

    Args:
        gross: what flowed since a fixed instant, never falling.
        uncounted: when nothing was counted, in order of time, not overlapping.
        at_s: instants, shape (n,).

    """
    whole, until = gross(at_s), float(at_s.max())
    edges = [edge for begin, end in uncounted if begin < until for edge in (begin, min(end, until))]
    if not edges:
        return whole
    flowed = gross(np.array(edges))
    missed = np.concatenate(([0.0], np.cumsum(flowed[1::2] - flowed[::2])))
    place = np.searchsorted(edges, at_s, side="right")  # odd: inside of a span
    running = np.where(place % 2 == 1, whole - flowed[np.maximum(place - 1, 0)], 0.0)
    return np.asarray(whole - missed[place // 2] - running)


def shown(net: Gross, restarts: Sequence[Fault], point: Point, at_s: Floats) -> Floats:
    """Return what a counter shows at each instant, within its modulus.

    Args:
        net: what was counted since a fixed instant.
        restarts: power cuts after which the counter begins again, in order of time.
        point: the totalizer.
        at_s: instants.

    """
    starts, bases = [-math.inf], [0.0]
    for fault in restarts:
        if fault.count_before is not None and fault.tag == point.tag:
            there = float(np.floor(net(np.array([fault.from_ms / 1000.0])))[0])
            bases[-1] = fault.count_before - there
        end_s = fault.to_ms / 1000.0
        starts.append(end_s)
        bases.append(float(fault.saved or 0) - float(np.floor(net(np.array([end_s])))[0]))
    base = np.array(bases)[np.searchsorted(starts, at_s, side="right") - 1]
    return np.asarray((np.floor(net(at_s)) + base) % (point.modulus or 2**32))


def forgetting(faults: Faults, site: Site) -> list[Fault]:
    """Return a site's power cuts after which its counters begin again, in order of time."""
    cuts = [one for one in faults.of(FaultKind.POWER_CUT, site) if one.saved is not None]
    return sorted(cuts, key=lambda one: one.from_ms)


def off_spans(faults: Faults, site: Site) -> list[Span]:
    """Return when an output that somebody holds was off; none where nobody holds one."""
    held = sorted(
        (one.from_ms / 1000.0, one.to_ms / 1000.0) for one in faults.of(FaultKind.OUTPUT, site)
    )
    if not held:
        return []
    ends = [-math.inf, *(end for _, end in held)]
    begins = [*(begin for begin, _ in held), math.inf]
    gaps = zip(ends, begins, strict=True)
    return [(end, begin) for end, begin in gaps if end < begin and begin > -1e15 and end < 1e15]


def selector_spans(faults: Faults, site: Site) -> list[Span]:
    """Return when a pump's selector was not in auto, so that nothing from afar started it."""
    found = faults.of(FaultKind.SELECTOR, site)
    return [(one.from_ms / 1000.0, one.to_ms / 1000.0) for one in found]


def joined(*some: Sequence[Span]) -> list[Span]:
    """Return spans in order of time, those that overlap as one."""
    whole: list[Span] = []
    for begin, end in sorted(span for spans in some for span in spans):
        if whole and begin <= whole[-1][1]:
            whole[-1] = (whole[-1][0], max(whole[-1][1], end))
        else:
            whole.append((begin, end))
    return whole


def is_inside(spans: Sequence[Span], at_s: Floats) -> np.ndarray:
    """Return whether each instant lies in one of the spans."""
    inside = np.zeros(len(at_s), dtype=bool)
    for begin, end in spans:
        inside |= (at_s >= begin) & (at_s < end)
    return inside

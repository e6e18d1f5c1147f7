"""A gateway's loss that is over: how long, whose, and which outputs fell back meanwhile.

Nothing of it counts against a site. What an output did is told from its own readings before and
after, and from what its station does without a poll.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.model import Gateway, Point, Site


@dataclass(frozen=True, slots=True)
class Fell:
    """An output that its station dropped by itself.

    Attributes:
        site: where.
        point: the output.
        at_ms: when, by what the station is set to.
        back_ms: when it was first read as before again, None: not yet.

    """

    site: Site
    point: Point
    at_ms: int
    back_ms: int | None


@dataclass(frozen=True, slots=True)
class GatewayWas:
    """A gateway that could not be reached for a while."""

    gateway: Gateway
    from_ms: int
    to_ms: int
    sites: int  # in service behind it
    fell: tuple[Fell, ...] = ()

    @property
    def key(self) -> str:
        """Name the loss."""
        return f"was-{self.gateway.key}-{self.from_ms}"


def fell(
    site: Site,
    point: Point,
    at_ms: NDArray[np.int64],
    on: Sequence[bool | None] | NDArray[np.float64],
    span: tuple[int, int],
) -> Fell | None:
    """Return how an output fell in a loss, None where its readings do not show that it did.

    Args:
        site: where.
        point: an output with a fail-safe state.
        at_ms: when it was read, ascending, from some time before the loss to now.
        on: what was read: 1 on, 0 off, NaN where nothing was.
        span: begin and end of the loss [ms].

    """
    safe = point.fail_safe
    values = np.asarray(on, np.float64)
    known = ~np.isnan(values)
    times, states = at_ms[known], values[known] > 0.5
    before, after = np.flatnonzero(times < span[0]), np.flatnonzero(times >= span[1])
    if safe is None or not len(before) or not len(after):
        return None
    was, drops_to = bool(states[before[-1]]), safe.state == "on"
    drop_ms = int(times[before[-1]]) + round(safe.after_s * 1000)
    if was is drops_to or bool(states[after[0]]) is was or drop_ms > span[1]:
        return None
    back = after[states[after] == was]
    drop_ms = round(drop_ms / 60_000) * 60_000  # known to the poll period, told to the minute
    return Fell(site, point, drop_ms, int(times[back[0]]) if len(back) else None)

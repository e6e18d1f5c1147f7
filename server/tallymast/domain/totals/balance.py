"""What flows in, what flows out, what is stored: the rest is loss, error, or a meter nobody reads.

All in m³, each with the interval in which the truth lies. Intervals are added end to end, which
never makes a balance look surer than it is.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.totals.segments import added

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
NIGHT_H: Final = (2, 4)  # common practice, no published source: least demand between 2 and 4


@dataclass(frozen=True, slots=True)
class Amount:
    """A volume, and the interval in which the truth lies [m³]; None: no bound is known."""

    amount: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Balance:
    """A balance over a span [m³]; what is left over is inflow - outflow - growth of storage."""

    inflow: Amount
    outflow: Amount
    growth: Amount

    @property
    def rest(self) -> Amount:
        """Return what is left over: lost, or counted wrongly."""
        return plus(plus(self.inflow, minus(self.outflow)), minus(self.growth))

    @property
    def closes(self) -> bool | None:
        """Whether the balance may close as it is; None: what is unknown has no bound."""
        rest = self.rest
        if rest.low is None or rest.high is None:
            return None
        return rest.low <= 0 <= rest.high


@dataclass(frozen=True, slots=True)
class AreaTable:
    """A storage's water surface by level: levels [m] ascending, areas [m²] there."""

    levels_m: tuple[float, ...]
    areas_m2: tuple[float, ...]

    def volume_m3(self, level_m: float) -> float | None:
        """Return the volume below a level [m³], None outside of the table.

        Between two levels the surface grows evenly, so a slice is a trapezium (end-area method,
        common practice in reservoir surveys).
        """
        if not self.levels_m[0] <= level_m <= self.levels_m[-1]:
            return None
        area = float(np.interp(level_m, self.levels_m, self.areas_m2))
        below = [n for n, level in enumerate(self.levels_m) if level < level_m]
        corners = [(self.levels_m[n], self.areas_m2[n]) for n in below] + [(level_m, area)]
        return sum((b[0] - a[0]) * (a[1] + b[1]) / 2 for a, b in pairwise(corners))


def refusal(table: AreaTable) -> str:
    """Return in a sentence why a table cannot be used; empty where it can."""
    if len(table.levels_m) != len(table.areas_m2) or len(table.levels_m) < 2:
        return "A table needs at least two levels, and an area for each."
    if any(b <= a for a, b in pairwise(table.levels_m)):
        return "The levels have to rise from row to row."
    if min(table.areas_m2) <= 0:
        return "An area has to be above 0 m²."
    return ""


def growth(
    table: AreaTable, begin_m: float | None, end_m: float | None, error_m: float
) -> Amount | None:
    """Return how much more is stored at the end; None where a level is not known.

    Args:
        table: the storage.
        begin_m: level at the beginning [m].
        end_m: level at the end [m].
        error_m: how far each level may be off [m].

    """
    if begin_m is None or end_m is None:
        return None
    first, last = (table.volume_m3(level) for level in (begin_m, end_m))
    if first is None or last is None:
        return None
    areas = np.interp([begin_m, end_m], table.levels_m, table.areas_m2)
    off = error_m * float(areas.sum())
    return Amount(last - first, last - first - off, last - first + off)


def plus(one: Amount, then: Amount) -> Amount:
    """Return two amounts together."""
    return Amount(one.amount + then.amount, added(one.low, then.low), added(one.high, then.high))


def minus(one: Amount) -> Amount:
    """Return an amount with its sign turned."""
    low = None if one.high is None else -one.high
    return Amount(-one.amount, low, None if one.low is None else -one.low)


def together(some: Iterable[Amount]) -> Amount:
    """Return several amounts together."""
    whole = Amount(0.0, 0.0, 0.0)
    for one in some:
        whole = plus(whole, one)
    return whole


def metered(amount: float, unknown: float | None, unproven: float | None, share: float) -> Amount:
    """Return a metered volume with what is unknown of it and a meter's own error.

    Args:
        amount: what was counted [m³].
        unknown: the most that passed besides [m³]; None: no bound.
        unproven: likewise.
        share: the meter's error as a share of what it counted.

    """
    off = abs(amount) * share
    above = None if unknown is None or unproven is None else amount + unknown + unproven
    return Amount(amount, amount - off, None if above is None else above + off)


@dataclass(frozen=True, slots=True)
class Integrated:
    """An analog flow added up over a span: not counted by the station, only seen at polls.

    Attributes:
        amount: [units of flow x hours].
        known_ms: for how long it was seen; for the rest nothing is added.
        span_ms: how long the span is.

    """

    amount: float
    known_ms: int
    span_ms: int

    @property
    def known_share(self) -> float:
        """For which share of the span the flow was seen, 0..1."""
        return self.known_ms / self.span_ms if self.span_ms else 0.0


def integrated(at_ms: Ints, per_hour: Floats, span: tuple[int, int], longest_ms: int) -> Integrated:
    """Return an analog flow added up between good readings (trapezoidal rule), gaps left out.

    Args:
        at_ms: instants of good readings, ascending.
        per_hour: the flow at each [units/h].
        span: begin and end, UTC milliseconds.
        longest_ms: a longer pause between two readings is a gap.

    """
    begin, end = span
    if len(at_ms) < 2:
        return Integrated(0.0, 0, end - begin)
    left = np.clip(at_ms[:-1], begin, end)
    right = np.clip(at_ms[1:], begin, end)
    near = (np.diff(at_ms) <= longest_ms) & (right > left)
    edges = [np.interp(edge, at_ms, per_hour) for edge in (left, right)]
    parts = (edges[0] + edges[1]) / 2 * (right - left) / 3_600_000
    return Integrated(float(parts[near].sum()), int((right - left)[near].sum()), end - begin)


def night_flow(hourly: Sequence[tuple[int, float, float]]) -> float | None:
    """Return the least mean flow of a night's hours [units/h]; None: none is wholly known.

    Args:
        hourly: of each hour of the night (``NIGHT_H`` by the local clock): beginning, volume
            [units], known share 0..1. An hour that is not wholly known is left out.

    What a network still takes when nearly nobody does is mostly leakage (minimum night flow:
    common practice, no published source).

    """
    known = [volume for _, volume, share in hourly if share > 0.999]
    return min(known) if known else None

"""What a finding about a point holds true of: to find out since when, reading by reading."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.findings import (
    ContactAlarm,
    FarOutside,
    Finding,
    NoValue,
    Outside,
)

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Holds:
    """A condition on a point's values; a gap (NaN) neither fulfils nor breaks a bound.

    Attributes:
        least: values at or above it fulfil it; None: no such bound.
        most: values at or below it fulfil it; None: no such bound.
        nothing: no value at all fulfils it, any value breaks it.

    """

    least: float | None = None
    most: float | None = None
    nothing: bool = False

    def broken_by(self, values: Floats) -> Mask:
        """Return which values break it."""
        known = ~np.isnan(values)
        if self.nothing:
            return known
        return known & ~self._within(values, values)

    def broken_in(self, n: NDArray[np.int64], least: Floats, most: Floats) -> Mask:
        """Return which spans hold a value that breaks it, from their count, least and most."""
        if self.nothing:
            return np.asarray(n > 0)
        return np.asarray((n > 0) & ~self._within(least, most))

    def _within(self, least: Floats, most: Floats) -> Mask:
        inside = np.ones(len(least), np.bool_)
        if self.least is not None:
            inside &= least >= self.least
        if self.most is not None:
            inside &= most <= self.most
        return inside


def holds_of(finding: Finding) -> Holds | None:
    """Return what a finding about a point says of its values, None for other findings."""
    if isinstance(finding, NoValue):
        return Holds(nothing=True)
    if isinstance(finding, FarOutside | Outside):
        bound = finding.bound
        return Holds(least=bound) if finding.above else Holds(most=bound)
    if isinstance(finding, ContactAlarm):
        is_on = bool(finding.reading.value)
        return Holds(least=1.0) if is_on else Holds(most=0.0)
    return None


@dataclass(frozen=True, slots=True)
class Since:
    """Since when something holds, and the last value before it.

    Attributes:
        at_ms: the first reading it held for; None: longer than was looked back.
        last_ms: the last one it did not hold for.
        last: its value.

    """

    at_ms: int | None
    last_ms: int | None = None
    last: float | None = None

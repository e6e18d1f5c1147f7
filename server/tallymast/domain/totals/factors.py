"""From pulses to volume: the factor of a meter, with the dates from which it holds.

Exact: factors are fractions of what people wrote, and pulses whole numbers, so that a month is
the sum of its days to the last digit. Rounding is for the eye.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby

from tallymast.domain.model import Point
from tallymast.domain.totals.segments import Segment, added, join
from tallymast.domain.totals.units import exact, unit_name

BEGINNING_MS = -(2**62)  # before every reading


@dataclass(frozen=True, slots=True)
class Factor:
    """What one pulse stands for, from an instant on.

    Attributes:
        from_ms: from when it holds, UTC milliseconds.
        per_pulse: volume of a pulse [unit].
        unit: as people write it.

    """

    from_ms: int
    per_pulse: Fraction
    unit: str


@dataclass(frozen=True, slots=True)
class Volume:
    """A volume with what nobody knows of it [unit].

    Attributes:
        amount: what is known to have passed.
        estimated: how much of that may belong to the time before or after.
        unknown: the most that passed besides; None: no bound is known.
        unproven: likewise, if the station had no power where nothing proves it.

    """

    unit: str
    amount: Fraction = Fraction(0)
    estimated: Fraction = Fraction(0)
    unknown: Fraction | None = Fraction(0)
    unproven: Fraction | None = Fraction(0)


def factor_of(point: Point) -> Factor | None:
    """Return the factor the network file gives a point; None where it gives none.

    ``k_factor`` is pulses a unit, ``volume_per_pulse`` its inverse. A point that scales its
    register itself (``raw`` and ``value``) and has a unit of volume needs neither.
    """
    unit = point.volume_unit or point.unit
    name = unit_name(unit) or unit
    if point.volume_per_pulse is not None:
        return Factor(BEGINNING_MS, exact(point.volume_per_pulse), name)
    if point.k_factor is not None:
        return Factor(BEGINNING_MS, 1 / exact(point.k_factor), name)
    if point.raw and point.value and unit_name(unit):
        climb = exact(point.value[1]) - exact(point.value[0])
        return Factor(BEGINNING_MS, climb / (exact(point.raw[1]) - exact(point.raw[0])), name)
    return Factor(BEGINNING_MS, Fraction(1), name) if unit_name(unit) else None


def k_factor(pulses_per_unit: float | str, unit: str, from_ms: int) -> Factor:
    """Return a factor from pulses a unit.

    Raises:
        ValueError: not a number above 0.

    """
    pulses = exact(pulses_per_unit)
    if pulses <= 0:
        raise ValueError(pulses_per_unit)
    return Factor(from_ms, 1 / pulses, unit_name(unit) or unit)


def in_force(factors: Sequence[Factor], at_ms: int) -> Factor | None:
    """Return the factor that holds at an instant; factors ascending in time."""
    held = [one for one in factors if one.from_ms <= at_ms]
    return held[-1] if held else None


def volume(segments: Iterable[Segment], factors: Sequence[Factor]) -> Volume | None:
    """Return the volume that segments stand for; None where no factor, or not one unit, holds.

    Args:
        segments: ascending, each following the one before, none with a change of factor inside.
        factors: ascending in time.

    """
    runs = [(key, list(run)) for key, run in groupby(segments, lambda one: _key(factors, one))]
    held = [factors[key] for key, _ in runs if key >= 0]
    units = {factor.unit for factor in held} or {one.unit for one in factors[-1:]}
    if len(held) != len(runs) or len(units) != 1:
        return None
    parts = [scaled(join(run, run[0].from_ms, run[-1].to_ms), factors[key]) for key, run in runs]
    return parts[0] if len(parts) == 1 else add_up(parts, units.pop())


def scaled(one: Segment, factor: Factor) -> Volume:
    """Return what a segment stands for by one factor."""
    each = factor.per_pulse
    return Volume(
        factor.unit,
        Fraction(one.pulses) * each,
        _times(one.estimated, each) or Fraction(0),
        _times(one.unknown, each),
        _times(one.unproven, each),
    )


def _times(count: float | None, each: Fraction) -> Fraction | None:
    """Return counts as volume; most of what is unknown is none, which needs no arithmetic."""
    if count is None:
        return None
    return Fraction(count) * each if count else Fraction(0)


def _key(factors: Sequence[Factor], one: Segment) -> int:
    """Return which factor holds over a segment, -1 where none does."""
    return sum(factor.from_ms <= one.from_ms for factor in factors) - 1


def add_up(parts: Iterable[Volume], unit: str) -> Volume:
    """Return several volumes of one unit together."""
    whole = Volume(unit)
    for one in parts:
        whole = Volume(
            unit,
            whole.amount + one.amount,
            whole.estimated + one.estimated,
            added(whole.unknown, one.unknown),
            added(whole.unproven, one.unproven),
        )
    return whole

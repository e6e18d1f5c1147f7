"""How an alarm waits where nobody wrote it down: deadband and delays, by what a unit measures.

Deadbands are shares of the span. Source: the table of starting points in ANSI/ISA-18.2-2009 and
EEMUA 191 (secondary restatement): temperature 1 % and 60 s, pressure 2 % and 15 s, flow 5 % and
15 s, level 5 % and 60 s. A level has 2 % here, as other notes restate it and as is common
practice: 5 % of a tank of 6 m is 0.3 m. A person's own figures come before all of them.
"""

from dataclasses import dataclass

from tallymast.domain.model import Limits, Point, PointKind


@dataclass(frozen=True, slots=True)
class Usual:
    """Deadband as a share of the span, and delays [s]."""

    deadband: float
    on_delay_s: float
    off_delay_s: float


TEMPERATURE = Usual(0.01, 60.0, 0.0)
PRESSURE = Usual(0.02, 15.0, 5.0)
FLOW = Usual(0.05, 15.0, 15.0)
LEVEL = Usual(0.02, 60.0, 60.0)
OTHER = Usual(0.01, 60.0, 0.0)
"""Ours, for what no unit tells, as mg/L or a valve's position: as slow as a temperature."""

_TEMPERATURE_UNITS = frozenset({"°c", "°f", "k", "degc", "degf"})
_PRESSURE_UNITS = frozenset({"pa", "hpa", "kpa", "mpa", "bar", "mbar", "psi", "psig", "psia"})
_LEVEL_UNITS = frozenset({"m", "cm", "mm", "ft", "in"})
_FLOW_UNITS = frozenset({"gpm", "gpd", "mgd", "cfs", "cfm", "lps"})
_PER_TIME = ("/s", "/min", "/h", "/d", "/day")


def usual_of(point: Point) -> Usual:
    """Return what is usual for a point, by its kind and unit as far as they tell."""
    unit = point.unit.strip().lower()
    if point.kind is PointKind.TEMPERATURE or unit in _TEMPERATURE_UNITS:
        return TEMPERATURE
    if unit in _PRESSURE_UNITS:
        return PRESSURE
    if point.kind is PointKind.RATE or unit in _FLOW_UNITS or unit.endswith(_PER_TIME):
        return FLOW
    return LEVEL if unit in _LEVEL_UNITS or _is_share_of_level(point, unit) else OTHER


def _is_share_of_level(point: Point, unit: str) -> bool:
    """Whether a share is one of a level: it may be a gate's position or a moisture as well."""
    name, tag = point.name.lower(), point.tag.lower()
    return unit == "%" and ("level" in name or tag.startswith(("lvl", "lev")))


def deadband_of(point: Point) -> float:
    """Return a point's own deadband, else the usual share of its span, in its own unit."""
    if point.deadband > 0:
        return point.deadband
    return _narrow(usual_of(point).deadband * _span(point), point.limits)


def _span(point: Point) -> float:
    """Return what a point can show; where no scale is written, its largest limit stands for it."""
    if point.value is not None:
        return abs(point.value[1] - point.value[0])
    return max((abs(limit) for limit in _written(point.limits)), default=0.0)


def _narrow(deadband: float, limits: Limits) -> float:
    """Keep a deadband we chose within half the good range, so that low and high can both clear."""
    lows = [limit for limit in (limits.low_low, limits.low) if limit is not None]
    highs = [limit for limit in (limits.high, limits.high_high) if limit is not None]
    if not lows or not highs:
        return deadband
    return min(deadband, (min(highs) - max(lows)) / 2)


def _written(limits: Limits) -> list[float]:
    every = (limits.low_low, limits.low, limits.high, limits.high_high)
    return [limit for limit in every if limit is not None]

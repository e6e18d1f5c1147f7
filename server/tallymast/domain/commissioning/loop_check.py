"""The arithmetic of a loop check: what has to be shown for what is applied, and how far off it is.

A 4-20 mA point's raw numbers are microamps; its span is what 4 and 20 mA mean by its scale. An
error is told in per cent of the span; where a point has no span of its own, of what is expected.
"""

import math
from dataclasses import dataclass
from typing import Final

from tallymast.domain.errors import TallymastError
from tallymast.domain.modbus.layouts import LoopCondition, loop_condition, scale, unscale
from tallymast.domain.model import Point, PointKind, WordLayout

FIVE: Final = (0.0, 25.0, 50.0, 75.0, 100.0)  # of the span; common practice, no published source
SHUNT_OHM: Final = 250.0  # 4-20 mA across it is 1-5 V (Ohm's law)
TOLERANCE_PCT: Final = 0.5  # ours: an ordinary transmitter with its converter
TEMPERATURE_SPAN: Final = 100.0  # ours: an enclosure's -40 to 60 °C, where no span is known

_ANALOG = (PointKind.ANALOG_INPUT, PointKind.ANALOG_OUTPUT)
_WHOLE = (
    WordLayout.UINT16,
    WordLayout.INT16,
    WordLayout.UINT32,
    WordLayout.INT32,
    WordLayout.UINT64,
    WordLayout.BCD16,
    WordLayout.BCD32,
    WordLayout.MOD10K,
)


class NotApplicable(TallymastError):
    """A value that cannot be applied to a point in this unit."""


@dataclass(frozen=True, slots=True)
class Basis:
    """What an error in per cent is a share of.

    Attributes:
        span: in the point's unit, positive; None: of what is expected.
        low: what 0 % means; above ``high`` where a scale falls.
        high: what 100 % means.

    """

    span: float | None
    low: float = 0.0
    high: float = 0.0


def basis_of(point: Point) -> Basis:
    """Return what a point's error is a share of."""
    if point.loop is not None:
        low, high = (scale(one, point.raw, point.value) for one in (4000.0, 20_000.0))
        return Basis(abs(high - low) or None, low, high)
    if point.kind in _ANALOG and point.value is not None and point.value[0] != point.value[1]:
        low, high = point.value
        return Basis(abs(high - low), low, high)
    if point.kind is PointKind.TEMPERATURE:
        return Basis(TEMPERATURE_SPAN)
    return Basis(None)


def has_five_points(point: Point) -> bool:
    """Return whether a point has a span of its own, along which it can be checked."""
    basis = basis_of(point)
    return basis.span is not None and basis.low != basis.high


def applied_at(point: Point, percent: float) -> float:
    """Return what to apply for a share of the span [mA for a loop, else the point's unit].

    Source: 4-20 mA: mA = 4 + 16 percent / 100.
    """
    if point.loop is not None:
        return 4.0 + 16.0 * percent / 100.0
    basis = basis_of(point)
    return basis.low + (basis.high - basis.low) * percent / 100.0


def percent_of(point: Point, applied: float) -> float:
    """Return which share of the span is applied; the inverse of ``applied_at``."""
    if point.loop is not None:
        return (applied - 4.0) / 16.0 * 100.0
    basis = basis_of(point)
    return (applied - basis.low) / (basis.high - basis.low) * 100.0


def expected_for(point: Point, applied: float) -> float:
    """Return what has to be shown for what is applied [point's unit]."""
    return scale(1000.0 * applied, point.raw, point.value) if point.loop is not None else applied


def current_for(point: Point, value: float) -> float:
    """Return the loop current that means a value [mA]; the inverse of ``expected_for``."""
    return unscale(value, point.raw, point.value) / 1000.0


def units_for(point: Point) -> tuple[str, ...]:
    """Return in which units something can be applied to a point, the usual one first."""
    own = point.unit or "as shown"
    if point.loop is not None:
        return tuple(dict.fromkeys(("mA", own, "% of span", f"V across {SHUNT_OHM:g} Ω")))
    return (own, "% of span") if has_five_points(point) else (own,)


def applied_in(point: Point, amount: float, unit: str) -> float:
    """Return what was applied, as it is kept [mA for a loop, else the point's unit].

    Args:
        point: to what.
        amount: as typed.
        unit: one of ``units_for``.

    Raises:
        NotApplicable: not a number, or a unit this point does not take.

    """
    known = units_for(point)
    if not math.isfinite(amount) or abs(amount) > 1e12:
        raise NotApplicable("What was applied has to be a number.")
    if unit not in known:
        raise NotApplicable(f"{point.tag} takes {' or '.join(known)}, not {unit!r}.")
    if unit == "% of span":
        return applied_at(point, amount)
    if point.loop is None or unit == "mA":
        return amount
    if unit.startswith("V across"):
        return amount / SHUNT_OHM * 1000.0
    return current_for(point, amount)


def error_pct(shown: float, expected: float, basis: Basis) -> float | None:
    """Return how far off a value is, above 0 where it shows too much.

    100 (shown - expected) / span. The span counts without its sign, so that a falling scale
    does not turn the error round. Without a span it is a share of what is expected, None where
    that is 0.
    """
    whole = basis.span if basis.span is not None else abs(expected)
    return 100.0 * (shown - expected) / whole if whole else None


def is_within(error: float | None, tolerance_pct: float) -> bool:
    """Return whether an error is inside the tolerance; an unknown one is not."""
    return error is not None and abs(error) <= tolerance_pct + 1e-9


def step_pct(point: Point) -> float | None:
    """Return one count of the register in per cent of the span, None where it has no such step."""
    basis = basis_of(point)
    if basis.span is None or point.layout not in _WHOLE or point.bit is not None:
        return None
    if point.raw is None or point.value is None:
        return 100.0 / basis.span
    per_count = (point.value[1] - point.value[0]) / (point.raw[1] - point.raw[0])
    return 100.0 * abs(per_count) / basis.span


def fineness_words(point: Point, tolerance_pct: float) -> str:
    """Return in a sentence that a tolerance is finer than the register; empty where it is not."""
    step = step_pct(point)
    if step is None or step <= tolerance_pct:
        return ""
    return (
        f"The register moves in steps of {step:.2g} % of the span, coarser than the tolerance of "
        f"{tolerance_pct:g} %: an error inside one step cannot be told from none."
    )


def current_words(milliamps: float) -> str:
    """Return what a loop current stands for.

    Source: NAMUR NE 43 (secondary restatements): 3.8 to 20.5 mA measures, up to 3.6 and from
    21.0 mA is a failure, between them nothing is agreed.
    """
    return _CURRENTS[loop_condition(1000.0 * milliamps)]


_CURRENTS: Final = {
    LoopCondition.OK: "inside the measuring range",
    LoopCondition.UNDER_RANGE: "under range, still a measurement (3.8 to 4.0 mA)",
    LoopCondition.OVER_RANGE: "over range, still a measurement (20.0 to 20.5 mA)",
    LoopCondition.UNDEFINED: "between measurement and failure: nothing is agreed for it",
    LoopCondition.FAULT_LOW: "a failure signal (3.6 mA or less): no value may be shown",
    LoopCondition.FAULT_HIGH: "a failure signal (21.0 mA or more): no value may be shown",
}

"""What people add to a volume or take from it: dated, with a reason, the original kept.

An adjustment is never changed; it is taken back by another row that names it. Over a span it
counts by its share of the time, exactly, so that days still add up to their month.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from tallymast.domain.totals.units import converted

PULSES: Final = "pulses"
_LONGEST_MS: Final = 366 * 86_400_000


@dataclass(frozen=True, slots=True)
class Adjustment:
    """One adjustment of one point.

    Attributes:
        from_ms: the time it is for, UTC milliseconds.
        to_ms: its end, not included.
        amount: what is added; below 0: taken away [unit].
        unit: a unit of volume, or ``PULSES``.
        reverses_id: the adjustment that this one takes back; None: it stands for itself.

    """

    id: int
    point_id: int
    from_ms: int
    to_ms: int
    amount: Fraction
    unit: str
    reason: str
    at_ms: int
    actor: str
    reverses_id: int | None = None


def reversal(one: Adjustment, reason: str, at_ms: int, actor: str) -> Adjustment:
    """Return what takes an adjustment back."""
    span = (one.from_ms, one.to_ms)
    return Adjustment(0, one.point_id, *span, -one.amount, one.unit, reason, at_ms, actor, one.id)


def refusal(one: Adjustment, now_ms: int) -> str:
    """Return in a sentence why an adjustment cannot be made; empty where it can."""
    if one.to_ms <= one.from_ms:
        return "The adjustment's end has to lie after its beginning."
    if one.to_ms - one.from_ms > _LONGEST_MS:
        return "An adjustment is for at most a year; make one for each."
    if one.from_ms > now_ms:
        return "What has not passed yet cannot be adjusted."
    if not one.amount:
        return "An adjustment of 0 changes nothing."
    if not one.reason.strip():
        return "Say why: whoever reads the month's figures will ask."
    return ""


def standing(some: Iterable[Adjustment]) -> list[Adjustment]:
    """Return the adjustments that nobody took back, without those that only take back."""
    all_of = list(some)
    undone = {one.reverses_id for one in all_of}
    return [one for one in all_of if one.reverses_id is None and one.id not in undone]


def adjusted(
    some: Sequence[Adjustment], span: tuple[int, int], unit: str, per_pulse: Fraction | None
) -> Fraction:
    """Return what adjustments add to a span [unit], by their share of the time.

    Args:
        some: adjustments; those taken back cancel out.
        span: begin and end, UTC milliseconds.
        unit: of the answer; ``PULSES`` takes only those in pulses.
        per_pulse: volume of a pulse [unit]; None: those in pulses are left out of a volume.

    """
    return sum((_part(one, span, unit, per_pulse) for one in some), Fraction(0))


def _part(
    one: Adjustment, span: tuple[int, int], unit: str, per_pulse: Fraction | None
) -> Fraction:
    inside = min(one.to_ms, span[1]) - max(one.from_ms, span[0])
    if inside <= 0:
        return Fraction(0)
    amount: Fraction | None
    if one.unit == PULSES:
        each = Fraction(1) if unit == PULSES else per_pulse
        amount = None if each is None else one.amount * each
    else:
        amount = converted(one.amount, one.unit, unit)
    return (amount or Fraction(0)) * Fraction(inside, one.to_ms - one.from_ms)

"""A month's figures as they are closed, and what changed since.

Closed figures are never changed. What comes later (a late poll, an adjustment, another factor)
shows as a correction beside them, and a supervisor may close the month again as a new version.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

from tallymast.domain.totals.written import decimals_of, signed, written

NO_UNIT: Final = "pulses"


@dataclass(frozen=True, slots=True)
class Figures:
    """One point's month.

    Attributes:
        unit: of the volumes; ``NO_UNIT`` where no factor is known.
        volume: what is known to have passed, without adjustments.
        adjusted: what adjustments add.
        estimated: how much of the volume may belong to the month before or after.
        unknown: the most that passed besides; None: no bound is known.
        unproven: likewise, if the station had no power where nothing proves it.
        pulses: what was counted.
        known_ms: for how long it is known what passed.
        span_ms: how long the month is.
        open: what the register showed at its beginning; None: not known.
        close: what it showed at its end.
        factors: volume of a pulse [unit], in the order of time.

    """

    unit: str
    volume: Fraction
    adjusted: Fraction
    estimated: Fraction
    unknown: Fraction | None
    unproven: Fraction | None
    pulses: float
    known_ms: int
    span_ms: int
    open: float | None
    close: float | None
    factors: tuple[Fraction, ...] = ()

    @property
    def total(self) -> Fraction:
        """The month's volume with its adjustments."""
        return self.volume + self.adjusted

    @property
    def decimals(self) -> int:
        """How many decimals its volumes are written with."""
        factors = () if self.unit == NO_UNIT else self.factors
        return decimals_of(factors, self.adjusted)

    @property
    def known_share(self) -> float:
        """For which share of the month it is known what passed, 0..1."""
        return self.known_ms / self.span_ms if self.span_ms else 0.0


_FRACTIONS: Final = ("volume", "adjusted", "estimated", "unknown", "unproven")


def body_of(figures: Figures) -> dict[str, Any]:
    """Return figures as plain values for JSON; fractions as texts, exactly."""
    body: dict[str, Any] = {name: getattr(figures, name) for name in Figures.__dataclass_fields__}
    for name in _FRACTIONS:
        body[name] = None if body[name] is None else str(body[name])
    return {**body, "factors": [str(one) for one in figures.factors]}


def figures_of(body: Mapping[str, Any]) -> Figures:
    """Return figures from plain values; what a newer version added is left out."""
    known = {name: body[name] for name in Figures.__dataclass_fields__ if name in body}
    for name in _FRACTIONS:
        known[name] = None if known[name] is None else Fraction(known[name])
    known["factors"] = tuple(Fraction(one) for one in body.get("factors", ()))
    return Figures(**known)


def corrections(closed: Figures, now: Figures) -> tuple[str, ...]:
    """Return in sentences what changed since a month was closed; none where nothing did."""
    told = []
    if closed.unit != now.unit:
        told.append(f"The unit was {closed.unit} and is {now.unit} now.")
    elif closed.volume != now.volume:
        told.append(_moved("counted", (closed.volume, now.volume), closed, now))
    if closed.unit == now.unit and closed.adjusted != now.adjusted:
        told.append(_moved("adjustments", (closed.adjusted, now.adjusted), closed, now))
    if closed.factors != now.factors:
        told.append("Another factor holds for the month or a part of it.")
    if (closed.unknown, closed.unproven) != (now.unknown, now.unproven):
        told.append("What is unknown of it is another figure now.")
    if closed.known_ms != now.known_ms:
        before, after = (f"{100 * one.known_share:.2f}" for one in (closed, now))
        told.append(f"{after} % of the month is known now, {before} % when it was closed.")
    return tuple(told)


def _moved(what: str, amounts: tuple[Fraction, Fraction], closed: Figures, now: Figures) -> str:
    places = max(closed.decimals, now.decimals)
    change = amounts[1] - amounts[0]
    before, after = (f"{written(one, places)} {now.unit}" for one in amounts)
    moved = signed(written(change, places), change)
    return f"Correction, {what}: {before} when it was closed, {after} now ({moved})."

"""Makes a step of what a station answered for what was applied, and of what a person says.

A value is taken of the poll that was asked for when the person pressed, never of an older one;
that the poll is such a one is the caller's part.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from tallymast.domain.commissioning.loop_check import (
    FIVE,
    NotApplicable,
    applied_at,
    applied_in,
    basis_of,
    error_pct,
    expected_for,
    is_within,
)
from tallymast.domain.commissioning.point_tests import Way, method_of
from tallymast.domain.commissioning.sheet import PointSheet
from tallymast.domain.commissioning.steps import Phase, Result, Step, StepKind, meaning_of
from tallymast.domain.modbus.layouts import loop_condition
from tallymast.domain.model import Point, Reading

NOTE_LONGEST: Final = 300

_KINDS: Final = {
    "state": StepKind.STATE,
    "start": StepKind.START,
    "up": StepKind.CHECK,
    "down": StepKind.DOWN,
}


@dataclass(frozen=True, slots=True)
class Take:
    """What is to be taken.

    Attributes:
        applied: mA for a loop, pulses for a counter, else in the point's unit; None: nothing is
            applied, what is shown is kept as it is.
        typed: how a person wrote it, where that is another unit.

    """

    kind: StepKind
    applied: float | None = None
    typed: str = ""


def take_of(point: Point, word: str, amount: str = "", unit: str = "") -> Take:
    """Return what a person asks to be taken.

    Args:
        point: of which.
        word: ``state``, ``start`` or ``look``; ``up`` or ``down`` with a typed amount, or with
            one of the five per cents behind it: ``up 25``.
        amount: as typed; a comma may stand for the point.
        unit: one of ``loop_check.units_for``; empty: the usual one.

    Raises:
        NotApplicable: a word, number or unit that does not fit, in a sentence.

    """
    way = method_of(point).way
    name, _, percent = word.partition(" ")
    if name == "look" and way is not Way.STATES:
        return Take(StepKind.CHECK)
    if name not in _KINDS or (name == "state") != (way is Way.STATES):
        raise NotApplicable(f"{point.tag} is not proven in this way.")
    kind = _KINDS[name]
    if kind in (StepKind.STATE, StepKind.START):
        return Take(kind)
    if percent:
        if way is not Way.FIVE or percent not in [f"{one:g}" for one in FIVE]:
            raise NotApplicable(f"{point.tag} has no place at {percent} % of its span.")
        return Take(kind, applied_at(point, float(percent)))
    return _typed(point, kind, amount, unit)


def _typed(point: Point, kind: StepKind, amount: str, unit: str) -> Take:
    try:
        number = float(amount.replace("\u2212", "-").replace(",", ".").strip())
    except ValueError as error:
        raise NotApplicable("Type what was applied as a number, such as 12.6.") from error
    if method_of(point).way is Way.COUNT:
        if not 1 <= number <= 1e9 or number != int(number):
            raise NotApplicable("Pulses are counted: a whole number from 1 on.")
        return Take(kind, number)
    usual = "mA" if point.loop is not None else point.unit or "as shown"
    applied = applied_in(point, number, unit or usual)
    return Take(kind, applied, f"{number:g} {unit}" if unit not in ("", usual) else "")


def step_of(
    sheet: PointSheet,
    take: Take,
    reading: Reading,
    *,
    tolerance_pct: float,
    at_ms: int,
    actor: str,
) -> Step:
    """Return the step that a take and a reading make.

    Args:
        sheet: where the point stands.
        take: what was applied.
        reading: of the poll that was asked for.
        tolerance_pct: of the span, or of what is expected.
        at_ms: when it is kept.
        actor: by whom.

    """
    step = Step(
        0,
        sheet.point.tag,
        take.kind,
        sheet.now.phase,
        Result.SEEN,
        at_ms,
        actor,
        applied=take.applied,
        shown=number_of(reading),
        shown_ms=reading.at_ms,
        meaning=meaning_of(sheet.point),
        raw=_raw(reading),
        note=_noted(reading),
        more={"typed": take.typed} if take.typed else {},
    )
    if take.kind is StepKind.START:
        return replace(step, shown=step.raw if isinstance(step.raw, float) else None)
    if take.applied is None or take.kind is StepKind.STATE:
        return step
    if sheet.method.way is Way.COUNT:
        return _counted(sheet, step)
    return _checked(sheet.point, step, tolerance_pct)


def number_of(reading: Reading) -> float | None:
    """Return a reading's value as a number, a state as 0 or 1; None for a text or no value."""
    return None if reading.value is None or isinstance(reading.value, str) else float(reading.value)


def _raw(reading: Reading) -> float | str | None:
    raw = reading.raw
    return raw if raw is None or isinstance(raw, str) else float(raw)


def _noted(reading: Reading) -> str:
    if isinstance(reading.value, str):
        return reading.value[:NOTE_LONGEST]
    return reading.reason[:NOTE_LONGEST]


def _checked(point: Point, step: Step, tolerance_pct: float) -> Step:
    assert step.applied is not None
    if point.loop is not None and loop_condition(1000.0 * step.applied).is_fault:
        # A failure current proves that no value is shown for it.
        result = Result.PASS if step.shown is None else Result.FAIL
        return replace(step, result=result)
    expected = expected_for(point, step.applied)
    off = None if step.shown is None else error_pct(step.shown, expected, basis_of(point))
    inside = is_within(off, tolerance_pct) or step.shown == expected
    return replace(
        step,
        expected=expected,
        error_pct=off,
        tolerance_pct=tolerance_pct,
        result=Result.PASS if inside else Result.FAIL,
    )


def _counted(sheet: PointSheet, step: Step) -> Step:
    """Compare how much a counter rose with how much was applied."""
    start = sheet.now.start
    if start is None or not isinstance(start.raw, float):
        raise NotApplicable(f"Take first where {sheet.point.tag} stands, then apply.")
    if not isinstance(step.raw, float) or step.applied is None:
        return replace(step, expected=step.applied, shown=None, result=Result.FAIL)
    rise = step.raw - start.raw
    if rise < 0 and sheet.point.modulus:
        rise += sheet.point.modulus
    return replace(
        step,
        expected=step.applied,
        shown=rise,
        error_pct=100.0 * (rise - step.applied) / step.applied,
        tolerance_pct=0.0,
        result=Result.PASS if rise == step.applied else Result.FAIL,
        more={**step.more, "from": start.raw, "to": step.raw},
    )


def verdict_of(
    sheet: PointSheet,
    result: Result,
    note: str,
    *,
    reading: Reading | None,
    at_ms: int,
    actor: str,
) -> tuple[Step, ...]:
    """Return the steps that a person's word on a point makes; states seen go before it.

    Raises:
        NotApplicable: a pass while something is lacking, or a point left untested, without a
            word why.

    """
    if result is Result.PASS and sheet.lacking and not note:
        raise NotApplicable(
            f"{sheet.lacking} Take what is missing, or write into the note why it passes all the "
            "same."
        )
    if result is Result.NOT_TESTED and not note:
        raise NotApplicable("Write into the note why it was not tested; the record tells it.")
    said = Step(
        0,
        sheet.point.tag,
        StepKind.VERDICT,
        sheet.now.phase,
        result,
        at_ms,
        actor,
        shown=number_of(reading) if reading else None,
        shown_ms=reading.at_ms if reading else None,
        meaning=meaning_of(sheet.point),
        raw=_raw(reading) if reading else None,
        note=note[:NOTE_LONGEST],
    )
    return (*_states(sheet, at_ms, actor), said)


def _states(sheet: PointSheet, at_ms: int, actor: str) -> Sequence[Step]:
    if sheet.method.way is not Way.STATES:
        return ()
    return [
        Step(
            0,
            sheet.point.tag,
            StepKind.STATE,
            sheet.now.phase,
            Result.SEEN,
            at_ms,
            actor,
            shown=float(state),
            shown_ms=first_ms,
            meaning=meaning_of(sheet.point),
        )
        for state, first_ms in sorted(sheet.seen.items())
        if state not in sheet.kept_states
    ]


def adjusted(sheet: PointSheet, note: str, *, at_ms: int, actor: str) -> Step:
    """Return the step after which what is taken of a point is as left.

    Raises:
        NotApplicable: no word of what was adjusted.

    """
    if not note:
        raise NotApplicable("Write into the note what was adjusted, repaired or changed.")
    return Step(
        0,
        sheet.point.tag,
        StepKind.ADJUST,
        Phase.AS_LEFT,
        Result.SEEN,
        at_ms,
        actor,
        meaning=meaning_of(sheet.point),
        note=note[:NOTE_LONGEST],
    )


def tolerance_for(point: Point, told: Mapping[str, object]) -> float:
    """Return a point's tolerance, a person's own where one was given [%]."""
    given = told.get(point.tag)
    return float(given) if isinstance(given, int | float) else method_of(point).tolerance_pct

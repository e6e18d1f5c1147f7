"""Makes steps of what was written on a paper form, entered later.

Every mistake is told at once, with the point it is about, so that nothing has to be typed twice.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from tallymast.domain.commissioning.loop_check import (
    FIVE,
    NotApplicable,
    applied_at,
    basis_of,
    error_pct,
    expected_for,
    is_within,
)
from tallymast.domain.commissioning.point_tests import Way, method_of
from tallymast.domain.commissioning.sheet import sheet_of
from tallymast.domain.commissioning.steps import Phase, Result, Step, StepKind, meaning_of
from tallymast.domain.commissioning.taking import NOTE_LONGEST
from tallymast.domain.model import Point
from tallymast.domain.people import plain


@dataclass(frozen=True, slots=True)
class Field:
    """One place of the form for a value shown: its name, and what is applied for it."""

    name: str
    applied: float | None


def fields_of(point: Point, phase: Phase) -> tuple[Field, ...]:
    """Return the places of a form in which values shown are written, as found or as left."""
    mark = "f" if phase is Phase.AS_FOUND else "l"
    match method_of(point).way:
        case Way.FIVE:
            return tuple(
                Field(f"{mark}.{point.tag}.{n}", applied_at(point, percent))
                for n, percent in enumerate(FIVE)
            )
        case Way.ONE | Way.COUNT:
            return (Field(f"{mark}.{point.tag}", None),)
        case _:
            return ()


def steps_of(
    points: Sequence[Point], written: Mapping[str, str], *, at_ms: int, actor: str
) -> list[Step]:
    """Return the steps of a form that was filled in.

    Args:
        points: the site's, as they are read now.
        written: by the names of the form's places: ``r.TAG`` pass, fail or not-tested, ``n.TAG``
            a note, ``a.TAG`` what was applied where one value was, and those of ``fields_of``.
        at_ms: when it was done.
        actor: who did it.

    Raises:
        Mistaken: something is missing or no number; all of it.

    """
    steps: list[Step] = []
    wrong: list[str] = []
    for point in points:
        try:
            steps += _point(point, written, at_ms, actor)
        except NotApplicable as error:
            wrong.append(f"{point.tag}: {error}")
    if wrong:
        raise Mistaken(wrong)
    return steps


class Mistaken(NotApplicable):
    """A form with mistakes; each is a sentence that begins with the point."""

    def __init__(self, sentences: Sequence[str]) -> None:
        self.sentences = tuple(sentences)
        super().__init__(" ".join(sentences))


def _point(point: Point, written: Mapping[str, str], at_ms: int, actor: str) -> list[Step]:
    note = plain(written.get(f"n.{point.tag}", ""), NOTE_LONGEST)
    base = Step(
        0,
        point.tag,
        StepKind.CHECK,
        Phase.AS_FOUND,
        Result.SEEN,
        at_ms,
        actor,
        meaning=meaning_of(point),
    )
    found = _values(point, written, base)
    left = _values(point, written, replace(base, phase=Phase.AS_LEFT))
    phase = Phase.AS_LEFT if left else Phase.AS_FOUND
    verdict = _verdict(point, written, replace(base, phase=phase, kind=StepKind.VERDICT, note=note))
    _refuse_bare_pass(point, [*found, *left], verdict)
    return [*found, *left, verdict]


def _verdict(point: Point, written: Mapping[str, str], base: Step) -> Step:
    said = written.get(f"r.{point.tag}", "")
    if said not in (Result.PASS, Result.FAIL, Result.NOT_TESTED):
        raise NotApplicable("say pass, fail or not tested.")
    if said == Result.NOT_TESTED and not base.note:
        raise NotApplicable("write why it was not tested.")
    return replace(base, result=Result(said))


def _refuse_bare_pass(point: Point, values: Sequence[Step], verdict: Step) -> None:
    """Refuse a pass beside values outside the tolerance, unless a note says why."""
    (sheet,) = sheet_of([point], [*values, verdict], {})
    if verdict.result is Result.PASS and sheet.now.failing and not verdict.note:
        raise NotApplicable("a value is outside the tolerance; write why it passes all the same.")


def _values(point: Point, written: Mapping[str, str], base: Step) -> list[Step]:
    steps = []
    for one in fields_of(point, base.phase):
        text = written.get(one.name, "").strip()
        if not text:
            continue
        applied = one.applied
        if applied is None:
            applied = _number(written.get(f"a.{point.tag}", ""), "what was applied")
        shown = _number(text, "what was shown")
        steps.append(_checked(point, base, applied, shown))
    return steps


def _checked(point: Point, base: Step, applied: float, shown: float) -> Step:
    counted = method_of(point).way is Way.COUNT
    expected = applied if counted else expected_for(point, applied)
    tolerance = method_of(point).tolerance_pct
    off = None
    if counted and applied:
        off = 100.0 * (shown - applied) / applied
    elif not counted:
        off = error_pct(shown, expected, basis_of(point))
    inside = is_within(off, tolerance) or shown == expected
    return replace(
        base,
        applied=applied,
        expected=expected,
        shown=shown,
        error_pct=off,
        tolerance_pct=tolerance,
        result=Result.PASS if inside else Result.FAIL,
    )


def _number(text: str, what: str) -> float:
    try:
        number = float(text.replace("\u2212", "-").replace(",", ".").strip())
    except ValueError as error:
        raise NotApplicable(f"{what} has to be a number, not “{plain(text, 20)}”.") from error
    if not -1e12 < number < 1e12:
        raise NotApplicable(f"{what} has to be a number that can be shown.")
    return number

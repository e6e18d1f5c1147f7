"""Where the proving of each point stands: what was taken, what it says, what is still lacking."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from tallymast.domain.commissioning.error_shapes import (
    checked_errors,
    hysteresis_pct,
    shape_words,
)
from tallymast.domain.commissioning.loop_check import FIVE, applied_at, percent_of, step_pct
from tallymast.domain.commissioning.point_tests import Method, Way, method_of, state_words
from tallymast.domain.commissioning.steps import Phase, Result, Step, StepKind, meaning_of
from tallymast.domain.model import Point

Seen = Mapping[bool, int]  # a state -> when it was first seen [UTC ms]

_NEAR_PCT = 2.0  # ours: a current this near to one of the five counts as it [% of span]


@dataclass(frozen=True, slots=True)
class Slot:
    """One of the five places along a span."""

    percent: float
    applied: float
    upward: Step | None
    downward: Step | None


@dataclass(frozen=True, slots=True)
class PhaseSheet:
    """One phase of one point.

    Attributes:
        checks: the newest check at each applied value, upward before downward.
        slots: the five places, for a point that has them.
        verdict: what a person said last.
        told: what kind of error the checks show, in a sentence; empty where they do not say.
        hysteresis_pct: the ways up and down apart; None where not both were gone.

    """

    phase: Phase
    checks: tuple[Step, ...] = ()
    slots: tuple[Slot, ...] = ()
    start: Step | None = None
    verdict: Step | None = None
    told: str = ""
    hysteresis_pct: float | None = None

    @property
    def failing(self) -> tuple[Step, ...]:
        """Checks outside the tolerance."""
        return tuple(one for one in self.checks if one.result is Result.FAIL)


@dataclass(frozen=True, slots=True)
class PointSheet:
    """One point of a check-out."""

    point: Point
    method: Method
    found: PhaseSheet
    left: PhaseSheet | None
    seen: Seen = field(default_factory=dict)
    kept_states: frozenset[bool] = frozenset()  # of those seen, the ones that are steps already
    adjusted: Step | None = None
    outdated: int = 0  # steps of before it was read in another way; they do not count

    @property
    def now(self) -> PhaseSheet:
        """The phase that goes on."""
        return self.left or self.found

    @property
    def result(self) -> Result | None:
        """What is said of the point in the end; None: nothing yet."""
        verdict = self.now.verdict
        return verdict.result if verdict is not None else None

    @property
    def lacking(self) -> str:
        """Why it cannot be passed without a word more, in a sentence; empty if it can."""
        return lacking(self)


def sheet_of(
    points: Sequence[Point], steps: Iterable[Step], seen: Mapping[str, Seen]
) -> tuple[PointSheet, ...]:
    """Return where each point stands; a step counts while its point is read as it was then.

    Args:
        points: those that are to be proven, in their order.
        steps: of one proof, in their order.
        seen: by tag, the states a contact was read in since the proof began.

    """
    by_tag: dict[str, list[Step]] = {}
    for step in steps:
        by_tag.setdefault(step.tag, []).append(step)
    return tuple(
        _point_sheet(one, by_tag.get(one.tag, []), seen.get(one.tag, {})) for one in points
    )


def _point_sheet(point: Point, taken: Sequence[Step], seen: Seen) -> PointSheet:
    now = meaning_of(point)
    steps = [step for step in taken if step.meaning is None or step.meaning == now]
    left = [step for step in steps if step.phase is Phase.AS_LEFT]
    found = [step for step in steps if step.phase is Phase.AS_FOUND]
    known, kept = dict(seen), set()
    for step in left or found:
        if step.kind is StepKind.STATE and step.shown is not None and step.shown_ms is not None:
            state = bool(step.shown)
            kept.add(state)
            known[state] = min(known.get(state, step.shown_ms), step.shown_ms)
    adjusted = [step for step in left if step.kind is StepKind.ADJUST]
    return PointSheet(
        point,
        method_of(point),
        _phase(point, Phase.AS_FOUND, found),
        _phase(point, Phase.AS_LEFT, left) if left else None,
        known,
        frozenset(kept),
        adjusted[-1] if adjusted else None,
        len(taken) - len(steps),
    )


def _phase(point: Point, phase: Phase, steps: Sequence[Step]) -> PhaseSheet:
    newest: dict[tuple[StepKind, float | None], Step] = {}
    start = verdict = None
    for step in steps:
        if step.kind in (StepKind.CHECK, StepKind.DOWN):
            key = step.kind, None if step.applied is None else round(step.applied, 6)
            newest.pop(key, None)
            newest[key] = step
        elif step.kind is StepKind.START:
            start = step
        elif step.kind is StepKind.VERDICT:
            verdict = step
    checks = sorted(newest.values(), key=_order)
    if method_of(point).way is not Way.FIVE:
        return PhaseSheet(phase, tuple(checks), start=start, verdict=verdict)
    up, down = (errors_of(point, checks, kind) for kind in (StepKind.CHECK, StepKind.DOWN))
    return PhaseSheet(
        phase,
        tuple(checks),
        tuple(_slot(point, percent, checks) for percent in FIVE),
        start,
        verdict,
        shape_words(up or down, step_pct(point) or 0.0),
        hysteresis_pct(up, down),
    )


def errors_of(point: Point, checks: Iterable[Step], kind: StepKind) -> dict[float, float]:
    """Return the errors of checks of a kind by position, both in % of span."""
    return checked_errors(
        (percent_of(point, one.applied), one.error_pct)
        for one in checks
        if one.kind is kind and one.applied is not None
    )


def _order(step: Step) -> tuple[bool, float]:
    down = step.kind is StepKind.DOWN
    applied = step.applied if step.applied is not None else 0.0
    return down, -applied if down else applied


def _slot(point: Point, percent: float, checks: Sequence[Step]) -> Slot:
    def nearest(kind: StepKind) -> Step | None:
        near = [
            one
            for one in checks
            if one.kind is kind
            and one.applied is not None
            and abs(percent_of(point, one.applied) - percent) <= _NEAR_PCT
        ]
        return max(near, key=lambda one: one.n, default=None)

    applied = applied_at(point, percent)
    return Slot(percent, applied, nearest(StepKind.CHECK), nearest(StepKind.DOWN))


def lacking(sheet: PointSheet) -> str:
    """Return why a point cannot be passed without a note, in a sentence; empty if it can."""
    now = sheet.now
    if now.failing:
        worst, taken = len(now.failing), len(now.checks)
        return f"Outside the tolerance: {worst} of {taken} taken."
    match sheet.method.way:
        case Way.FIVE:
            open_ = [slot for slot in now.slots if slot.upward is None and slot.downward is None]
            return f"Not taken yet: {len(open_)} of the five values." if open_ else ""
        case Way.STATES:
            words = state_words(sheet.point)
            unseen = [words[int(state)] for state in (False, True) if state not in sheet.seen]
            return f"Not seen yet: {' and '.join(unseen)}." if unseen else ""
        case Way.ONE | Way.COUNT:
            return "" if now.checks else "Nothing was taken yet."
        case _:
            return ""


def unjudged(sheets: Iterable[PointSheet]) -> tuple[str, ...]:
    """Return the tags of points of which nothing is said yet; a proof with one is not signed."""
    return tuple(one.point.tag for one in sheets if one.result is None)

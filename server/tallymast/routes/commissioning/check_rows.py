"""What a check-out's page shows of each point, worked out; templates only write it down."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from tallymast.domain.commissioning.loop_check import (
    basis_of,
    expected_for,
    fineness_words,
    units_for,
)
from tallymast.domain.commissioning.point_tests import OPERATED, Way, state_words
from tallymast.domain.commissioning.sheet import PhaseSheet, PointSheet, Slot
from tallymast.domain.commissioning.steps import Phase, Step, StepKind
from tallymast.domain.model import Point, PointKind, Reading
from tallymast.domain.orders.model import TagOut
from tallymast.routes.commissioning.check_out import CheckOut
from tallymast.routes.commissioning.live_points import Now, now_of
from tallymast.routes.commissioning.step_rows import (
    KIND_WORDS,
    MARKS,
    OPEN,
    StepRow,
    amount_words,
    detail_words,
    fine,
    step_row,
)
from tallymast.routes.formats import number, plural
from tallymast.routes.orders.output_rows import tags_on
from tallymast.routes.rows import Mark


@dataclass(frozen=True, slots=True)
class SlotRow:
    """One place along a span: what to apply, what has to be shown, and what was."""

    take: str
    applied: str
    expected: str
    taken: StepRow | None


@dataclass(frozen=True, slots=True)
class StateRow:
    """One of a contact's two states."""

    words: str
    seen_ms: int | None


@dataclass(frozen=True, slots=True)
class Waiting:
    """A take whose poll has not come yet, as its form carries it on."""

    job: int
    take: str
    amount: str = ""
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Typed:
    """What a person typed into a point's forms, to be shown again when it was refused."""

    amount: str = ""
    unit: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class PointRow:
    """One point of a check-out."""

    point: Point
    kind: str
    way: str
    how: str
    operates: bool
    is_output: bool
    tags: tuple[TagOut, ...]
    now: Now
    mark: Mark
    phase: str
    is_left: bool
    found_mark: Mark | None
    slots: tuple[SlotRow, ...]
    downward: tuple[SlotRow, ...]
    others: tuple[StepRow, ...]
    states: tuple[StateRow, ...]
    start: StepRow | None
    verdict: StepRow | None
    adjusted: StepRow | None
    told: tuple[str, ...]
    units: tuple[str, ...]
    amount_word: str
    offered: str
    tolerance: float
    of_what: str
    lacking: str
    wrong: str = ""
    waiting: Waiting | None = None
    typed: Typed = field(default_factory=Typed)

    @property
    def tag(self) -> str:
        """The point's tag."""
        return self.point.tag

    @property
    def is_done(self) -> bool:
        """Whether something is said of the point."""
        return self.verdict is not None


def point_rows(found: CheckOut, readings: Mapping[str, Reading]) -> tuple[PointRow, ...]:
    """Return a row for every point of a check-out, in the network file's order."""
    return tuple(point_row(found, sheet, readings.get(sheet.point.tag)) for sheet in found.sheets)


def point_row(
    found: CheckOut,
    sheet: PointSheet,
    reading: Reading | None,
    *,
    wrong: str = "",
    waiting: Waiting | None = None,
    typed: Typed | None = None,
) -> PointRow:
    """Return one point's row, perhaps with what was wrong about what was asked."""
    point, method, now = sheet.point, sheet.method, sheet.now
    tolerance = found.tolerance(point)
    return PointRow(
        point=point,
        kind=KIND_WORDS[point.kind],
        way=method.way.value,
        how=method.how,
        operates=method.operates,
        is_output=point.kind in OPERATED and point.write is not None,
        tags=tags_on(found.plan, found.tags, point.tag),
        now=now_of(point, reading),
        mark=MARKS[sheet.result] if sheet.result else OPEN,
        phase=now.phase.words,
        is_left=now.phase is Phase.AS_LEFT,
        found_mark=_found_mark(sheet),
        slots=tuple(_slot(point, one, StepKind.CHECK) for one in now.slots),
        downward=tuple(_slot(point, one, StepKind.DOWN) for one in reversed(now.slots)),
        others=_others(point, now),
        states=_states(sheet),
        start=step_row(point, now.start) if now.start else None,
        verdict=step_row(point, now.verdict) if now.verdict else None,
        adjusted=step_row(point, sheet.adjusted) if sheet.adjusted else None,
        told=_told(sheet, tolerance, found.proof.detail),
        units=units_for(point) if method.way is not Way.COUNT else ("",),
        amount_word=method.applied_word,
        offered=str(method.count) if method.count else "",
        tolerance=tolerance,
        of_what="of the span" if basis_of(point).span is not None else "of what is expected",
        lacking=sheet.lacking,
        wrong=wrong,
        waiting=waiting,
        typed=typed or Typed(),
    )


def _found_mark(sheet: PointSheet) -> Mark | None:
    """Return what was said as found, once it goes on as left."""
    verdict = sheet.found.verdict
    return MARKS[verdict.result] if sheet.left is not None and verdict is not None else None


def _slot(point: Point, slot: Slot, kind: StepKind) -> SlotRow:
    down = kind is StepKind.DOWN
    taken = slot.downward if down else slot.upward
    return SlotRow(
        f"{'down' if down else 'up'} {slot.percent:g}",
        amount_words(point, slot.applied),
        fine(expected_for(point, slot.applied), point),
        step_row(point, taken) if taken else None,
    )


def _others(point: Point, now: PhaseSheet) -> tuple[StepRow, ...]:
    placed: list[Step | None] = []
    for slot in now.slots:
        placed += (slot.upward, slot.downward)
    return tuple(step_row(point, one) for one in now.checks if one not in placed)


def _states(sheet: PointSheet) -> tuple[StateRow, ...]:
    if sheet.method.way is not Way.STATES:
        return ()
    words = state_words(sheet.point)
    return tuple(StateRow(words[int(one)], sheet.seen.get(one)) for one in (False, True))


def _told(sheet: PointSheet, tolerance: float, detail: Mapping[str, object]) -> tuple[str, ...]:
    point, now = sheet.point, sheet.now
    parts = [now.told, fineness_words(point, tolerance) if now.slots else ""]
    if now.hysteresis_pct is not None:
        parts.append(f"Up and down differ by {number(now.hysteresis_pct, 2)} % of span at most.")
    if sheet.outdated:
        parts.append(
            f"{plural(sheet.outdated, 'step')} of before it was read in another way: not counted."
        )
    if point.kind is PointKind.SIGNAL and "link" in detail:
        parts.append(f"Link test: {detail_words(detail['link'])}")
    return tuple(part for part in parts if part)

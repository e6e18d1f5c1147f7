"""Where the proving of points stands, worked out from steps by hand."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from tests.domain.commissioning.conftest import HATCH, LEVEL, VOLTS

from tallymast.domain.commissioning.sheet import PointSheet, sheet_of, unjudged
from tallymast.domain.commissioning.steps import Phase, Result, Step, StepKind, meaning_of
from tallymast.domain.model import Point, PointKind, Table, WordLayout

Make = Callable[..., Step]


def one(point: Point, *steps: Step, seen: dict[bool, int] | None = None) -> PointSheet:
    (sheet,) = sheet_of([point], steps, {point.tag: seen or {}})
    return sheet


def five(step: Make, *errors: float, down: bool = False) -> list[Step]:
    kind = StepKind.DOWN if down else StepKind.CHECK
    return [
        step(n=n, kind=kind, applied=4.0 + 4.0 * n, error_pct=error)
        for n, error in enumerate(errors)
    ]


def test_five_taken_values_leave_nothing_lacking(step: Make) -> None:
    sheet = one(LEVEL, *five(step, 0.1, 0.1, 0.1, 0.1))
    assert sheet.lacking == "Not taken yet: 1 of the five values."
    assert one(LEVEL, *five(step, 0.1, 0.1, 0.1, 0.1, 0.1)).lacking == ""


def test_a_current_near_one_of_the_five_counts_as_it(step: Make) -> None:
    # 4.02 mA is 0.125 % of the span from 4 mA; 4.5 mA is 3 % away.
    assert one(LEVEL, step(applied=4.02)).found.slots[0].upward is not None
    assert one(LEVEL, step(applied=4.5)).found.slots[0].upward is None


def test_the_newest_of_a_repeated_value_counts(step: Make) -> None:
    bad = step(n=1, applied=12.0, error_pct=3.0, result=Result.FAIL)
    good = step(n=2, applied=12.0, error_pct=0.1)
    assert one(LEVEL, bad).lacking == "Outside the tolerance: 1 of 1 taken."
    assert one(LEVEL, bad, good).now.failing == ()
    assert one(LEVEL, bad, good).now.checks == (good,)


def test_both_ways_give_a_hysteresis(step: Make) -> None:
    up = five(step, 0.0, 0.0, 0.0, 0.0, 0.0)
    down = five(step, 0.1, 0.3, 0.4, 0.2, 0.0, down=True)
    sheet = one(LEVEL, *up, *down)
    assert sheet.now.hysteresis_pct == pytest.approx(0.4)  # by hand, at the middle
    assert [check.applied for check in sheet.now.checks[5:]] == [20.0, 16.0, 12.0, 8.0, 4.0]


def test_the_kind_of_error_is_told(step: Make) -> None:
    assert "zero error" in one(LEVEL, *five(step, 0.8, 0.8, 0.8, 0.8, 0.8)).now.told


def test_a_contact_needs_both_states(hatch: Point, step: Make) -> None:
    assert one(hatch).lacking == "Not seen yet: shut and open."
    assert one(hatch, seen={False: 1000}).lacking == "Not seen yet: open."
    taken = step(tag="HATCH", kind=StepKind.STATE, result=Result.SEEN, shown=1.0, shown_ms=5000)
    sheet = one(HATCH, taken, seen={False: 1000})
    assert sheet.lacking == ""
    assert sheet.seen == {False: 1000, True: 5000}
    assert one(HATCH, taken, seen={True: 4000}).seen == {True: 4000}


def test_after_an_adjustment_everything_is_as_left(step: Make) -> None:
    failed = step(kind=StepKind.VERDICT, result=Result.FAIL)
    adjusted = step(n=2, kind=StepKind.ADJUST, phase=Phase.AS_LEFT, result=Result.SEEN)
    sheet = one(LEVEL, failed, adjusted)
    assert sheet.found.verdict == failed
    assert sheet.result is None
    passed = step(n=3, kind=StepKind.VERDICT, phase=Phase.AS_LEFT)
    assert one(LEVEL, failed, adjusted, passed).result is Result.PASS


def test_a_voltage_needs_a_value_and_a_revision_a_look(step: Make) -> None:
    assert one(VOLTS).lacking == "Nothing was taken yet."
    assert one(VOLTS, step(tag="VBAT", applied=12.6)).lacking == ""
    look = Point("REV", "Revision", PointKind.REVISION, Table.INPUT, 9, WordLayout.TEXT)
    assert one(look).lacking == ""


def test_a_counter_remembers_where_it_stood(step: Make) -> None:
    total = replace(VOLTS, tag="TOT", kind=PointKind.TOTALIZER)
    start = step(tag="TOT", kind=StepKind.START, result=Result.SEEN, shown=48_112.0)
    assert one(total, start).found.start == start
    assert one(total, start).lacking == "Nothing was taken yet."


def test_points_without_a_word_are_named(step: Make) -> None:
    said = step(kind=StepKind.VERDICT, result=Result.NOT_TESTED)
    assert unjudged(sheet_of([LEVEL, HATCH], [said], {})) == ("HATCH",)


def test_steps_of_before_a_point_was_read_otherwise_do_not_count(step: Make) -> None:
    then = meaning_of(replace(LEVEL, value=(0.0, 5.0)))
    old = [replace(one, meaning=then) for one in five(step, 0.0, 0.0, 0.0, 0.0, 0.0)]
    said = step(kind=StepKind.VERDICT, meaning=then)
    sheet = one(LEVEL, *old, said)
    assert (sheet.result, sheet.outdated) == (None, 6)
    assert sheet.lacking == "Not taken yet: 5 of the five values."

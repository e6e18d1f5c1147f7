"""Steps made of readings by hand: errors, counts, failures, and what a person may say."""

from dataclasses import replace

import pytest
from tests.domain.commissioning.conftest import HATCH, LEVEL, VOLTS

from tallymast.domain.commissioning.loop_check import NotApplicable
from tallymast.domain.commissioning.sheet import PointSheet, sheet_of
from tallymast.domain.commissioning.steps import Result, Step, StepKind
from tallymast.domain.commissioning.taking import (
    Take,
    adjusted,
    step_of,
    take_of,
    tolerance_for,
    verdict_of,
)
from tallymast.domain.model import Point, PointKind, Quality, Reading, WordLayout

TOTAL = replace(
    VOLTS,
    tag="TOT",
    kind=PointKind.TOTALIZER,
    layout=WordLayout.UINT16,
    raw=None,
    value=None,
    modulus=65_536,
)


def sheet(point: Point, *steps: Step) -> PointSheet:
    (made,) = sheet_of([point], steps, {})
    return made


def read(tag: str, value: float | bool | str | None, raw: object = None) -> Reading:
    quality = Quality.NONE if value is None else Quality.GOOD
    reason = "loop 3.50 mA, the sensor loop is open or failed" if value is None else ""
    return Reading(tag, value, raw if raw is not None else value, quality, 7000, reason)  # type: ignore[arg-type]


def taken(point: Point, take: Take, reading: Reading, *before: Step) -> Step:
    made = sheet(point, *before)
    return step_of(made, take, reading, tolerance_pct=0.5, at_ms=8000, actor="opal")


@pytest.mark.parametrize(
    ("word", "amount", "unit", "take"),
    [
        ("up 25", "", "", Take(StepKind.CHECK, 8.0)),
        ("down 100", "", "", Take(StepKind.DOWN, 20.0)),
        ("up", "12,5", "", Take(StepKind.CHECK, 12.5)),
        ("up", "50", "% of span", Take(StepKind.CHECK, 12.0, "50 % of span")),
        ("up", "\u22121", "mA", Take(StepKind.CHECK, -1.0)),
        ("look", "", "", Take(StepKind.CHECK)),
    ],
)
def test_what_is_asked_is_understood(word: str, amount: str, unit: str, take: Take) -> None:
    assert take_of(LEVEL, word, amount, unit) == take


@pytest.mark.parametrize(
    ("point", "word", "amount", "why"),
    [
        (LEVEL, "up 30", "", "no place at 30 %"),
        (LEVEL, "state", "", "not proven in this way"),
        (HATCH, "up", "1", "not proven in this way"),
        (HATCH, "look", "", "not proven in this way"),
        (LEVEL, "sideways", "", "not proven in this way"),
        (LEVEL, "up", "", "as a number"),
        (LEVEL, "up", "nan", "has to be a number"),
        (TOTAL, "up", "2.5", "a whole number from 1 on"),
        (TOTAL, "up", "inf", "a whole number from 1 on"),
    ],
)
def test_what_does_not_fit_is_refused(point: Point, word: str, amount: str, why: str) -> None:
    with pytest.raises(NotApplicable, match=why):
        take_of(point, word, amount)


def test_a_value_is_judged_by_its_error() -> None:
    # By hand: 3.03 m beside 3 m of 6 m is 0.5 %; 3.04 m is 0.67 %.
    good = taken(LEVEL, Take(StepKind.CHECK, 12.0), read("LVL", 3.03, 12_080))
    assert (good.result, good.error_pct) == (Result.PASS, pytest.approx(0.5))
    bad = taken(LEVEL, Take(StepKind.CHECK, 12.0), read("LVL", 3.04, 12_107))
    assert (bad.result, bad.raw) == (Result.FAIL, 12_107.0)


def test_no_value_fails_with_its_reason_unless_a_failure_was_applied() -> None:
    none = read("LVL", None, 3500)
    missing = taken(LEVEL, Take(StepKind.CHECK, 12.0), none)
    assert (missing.result, missing.shown, missing.error_pct) == (Result.FAIL, None, None)
    assert "open or failed" in missing.note
    # NAMUR NE 43: 3.6 mA or less is a failure, so no value is what has to be shown.
    assert taken(LEVEL, Take(StepKind.CHECK, 3.5), none).result is Result.PASS
    shown = read("LVL", -0.19, 3500)
    assert taken(LEVEL, Take(StepKind.CHECK, 3.5), shown).result is Result.FAIL


def test_a_counter_has_to_rise_by_what_was_applied() -> None:
    start = taken(TOTAL, Take(StepKind.START), read("TOT", 65_530, 65_530))
    # By hand: ten more roll a 16-bit counter over to 4.
    over = taken(TOTAL, Take(StepKind.CHECK, 10.0), read("TOT", 4, 4), start)
    assert (over.shown, over.result, over.error_pct) == (10.0, Result.PASS, 0.0)
    doubled = taken(TOTAL, Take(StepKind.CHECK, 10.0), read("TOT", 14, 14), start)
    assert (doubled.shown, doubled.result, doubled.error_pct) == (20.0, Result.FAIL, 100.0)
    lost = taken(TOTAL, Take(StepKind.CHECK, 10.0), read("TOT", None), start)
    assert (lost.shown, lost.result) == (None, Result.FAIL)
    with pytest.raises(NotApplicable, match="Take first where TOT stands"):
        taken(TOTAL, Take(StepKind.CHECK, 10.0), read("TOT", 4, 4))


def test_a_contact_is_seen_and_a_text_is_noted() -> None:
    seen = taken(HATCH, Take(StepKind.STATE), read("HATCH", True))
    assert (seen.shown, seen.result, seen.shown_ms) == (1.0, Result.SEEN, 7000)
    label = replace(VOLTS, tag="REV", kind=PointKind.REVISION, layout=WordLayout.TEXT)
    told = taken(label, Take(StepKind.CHECK), read("REV", "7.2b"))
    assert (told.shown, told.raw, told.note) == (None, "7.2b", "7.2b")


def test_a_pass_needs_what_is_lacking_or_a_word() -> None:
    with pytest.raises(NotApplicable, match="Not taken yet: 5 of the five values"):
        verdict_of(sheet(LEVEL), Result.PASS, "", reading=None, at_ms=1, actor="opal")
    (said,) = verdict_of(sheet(LEVEL), Result.PASS, "by gauge", reading=None, at_ms=1, actor="o")
    assert (said.result, said.note, said.kind) == (Result.PASS, "by gauge", StepKind.VERDICT)
    (failed,) = verdict_of(sheet(LEVEL), Result.FAIL, "", reading=None, at_ms=1, actor="o")
    assert failed.result is Result.FAIL
    with pytest.raises(NotApplicable, match="why it was not tested"):
        verdict_of(sheet(LEVEL), Result.NOT_TESTED, "", reading=None, at_ms=1, actor="o")


def test_states_that_ticked_themselves_off_become_steps_once() -> None:
    (made,) = sheet_of([HATCH], [], {"HATCH": {False: 10, True: 20}})
    steps = verdict_of(made, Result.PASS, "", reading=None, at_ms=30, actor="opal")
    assert [(one.kind, one.shown, one.shown_ms) for one in steps[:2]] == [
        (StepKind.STATE, 0.0, 10),
        (StepKind.STATE, 1.0, 20),
    ]
    (again,) = sheet_of([HATCH], steps, {"HATCH": {False: 10, True: 20}})
    assert len(verdict_of(again, Result.FAIL, "", reading=None, at_ms=40, actor="opal")) == 1


def test_an_adjustment_needs_a_word() -> None:
    with pytest.raises(NotApplicable, match="what was adjusted"):
        adjusted(sheet(LEVEL), "", at_ms=1, actor="opal")


def test_a_tolerance_of_ones_own_goes_first() -> None:
    assert tolerance_for(LEVEL, {}) == 0.5  # ours
    assert tolerance_for(LEVEL, {"LVL": 2, "VBAT": 3}) == 2.0

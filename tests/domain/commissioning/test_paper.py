"""Paper forms filled in by hand, and what they become."""

from dataclasses import replace

import pytest
from tests.domain.commissioning.conftest import HATCH, LEVEL, VOLTS

from tallymast.domain.commissioning.paper import Mistaken, fields_of, steps_of
from tallymast.domain.commissioning.steps import Phase, Result, Step, StepKind
from tallymast.domain.model import PointKind

TOTAL = replace(VOLTS, tag="TOT", kind=PointKind.TOTALIZER, raw=None, value=None)
FOUND = {f"f.LVL.{n}": f"{1.5 * n + 0.06:g}" for n in range(5)}
LEFT = {f"l.LVL.{n}": f"{1.5 * n:g}" for n in range(5)}


def entered(point: object, **written: str) -> list[Step]:
    tags = {name.replace("_", "."): text for name, text in written.items()}
    return steps_of([point], tags, at_ms=5000, actor="R. Hale")  # type: ignore[list-item]


def test_values_as_found_and_as_left_become_steps_with_their_errors() -> None:
    steps = steps_of([LEVEL], {"r.LVL": "pass", **FOUND, **LEFT}, at_ms=5000, actor="R. Hale")
    found = [one for one in steps if one.phase is Phase.AS_FOUND]
    # By hand: 0.06 m of 6 m is 1 %, twice the tolerance.
    assert [one.error_pct for one in found] == [pytest.approx(1.0)] * 5
    assert {one.result for one in found} == {Result.FAIL}
    assert [one.applied for one in found] == [4.0, 8.0, 12.0, 16.0, 20.0]
    assert (steps[-1].kind, steps[-1].phase) == (StepKind.VERDICT, Phase.AS_LEFT)
    assert {one.at_ms for one in steps} == {5000}


def test_a_pass_beside_a_value_outside_needs_a_word() -> None:
    with pytest.raises(Mistaken, match="LVL: a value is outside the tolerance"):
        steps_of([LEVEL], {"r.LVL": "pass", **FOUND}, at_ms=1, actor="x")
    said = {"r.LVL": "pass", "n.LVL": "good enough", **FOUND}
    assert steps_of([LEVEL], said, at_ms=1, actor="x")[-1].note == "good enough"


def test_a_count_is_compared_with_what_was_applied() -> None:
    good = entered(TOTAL, r_TOT="pass", a_TOT="10", f_TOT="10")
    assert (good[0].expected, good[0].error_pct, good[0].result) == (10.0, 0.0, Result.PASS)
    lost = entered(TOTAL, r_TOT="fail", a_TOT="10", f_TOT="9")
    assert (lost[0].error_pct, lost[0].result) == (pytest.approx(-10.0), Result.FAIL)


def test_a_contact_has_a_result_alone() -> None:
    (said,) = entered(HATCH, r_HATCH="pass")
    assert (said.kind, said.result, said.meaning is not None) == (
        StepKind.VERDICT,
        Result.PASS,
        True,
    )
    assert fields_of(HATCH, Phase.AS_FOUND) == ()


@pytest.mark.parametrize(
    ("written", "sentence"),
    [
        ({}, "VBAT: say pass, fail or not tested."),
        ({"r.VBAT": "maybe"}, "VBAT: say pass, fail or not tested."),
        ({"r.VBAT": "not-tested"}, "VBAT: write why it was not tested."),
        ({"r.VBAT": "pass", "f.VBAT": "12.6"}, "VBAT: what was applied has to be a number"),
        ({"r.VBAT": "pass", "f.VBAT": "nan", "a.VBAT": "1"}, "a number that can be shown"),
        ({"r.VBAT": "pass", "f.VBAT": "1e99", "a.VBAT": "1"}, "a number that can be shown"),
    ],
)
def test_mistakes_name_the_point(written: dict[str, str], sentence: str) -> None:
    with pytest.raises(Mistaken) as refused:
        steps_of([VOLTS], written, at_ms=1, actor="x")
    assert sentence in refused.value.sentences[0]


def test_every_points_mistake_is_told_at_once() -> None:
    with pytest.raises(Mistaken) as refused:
        steps_of([LEVEL, VOLTS, HATCH], {"r.VBAT": "fail"}, at_ms=1, actor="x")
    assert [one.partition(":")[0] for one in refused.value.sentences] == ["LVL", "HATCH"]

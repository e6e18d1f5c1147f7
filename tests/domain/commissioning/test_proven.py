"""What of a site is proven, and in which words it is not."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from tests.domain.commissioning.conftest import LEVEL

from tallymast.domain.commissioning.proven import (
    Proven,
    Signed,
    Station,
    proven_points,
    verdicts_of,
)
from tallymast.domain.commissioning.steps import (
    Meaning,
    Phase,
    Result,
    Step,
    StepKind,
    changed,
    meaning_from,
    meaning_of,
)
from tallymast.domain.model import Order, Point, Table

Make = Callable[..., Step]
THEN = meaning_of(LEVEL)


def signed(number: int, *steps: Step, part_id: int | None = None) -> Signed:
    return Signed(number, 1000 * number, "R. Hale", part_id, steps)


def said(step: Make, result: Result = Result.PASS, **more: object) -> Step:
    return step(kind=StepKind.VERDICT, result=result, meaning=THEN, **more)


def look(*proofs: Signed, point: Point = LEVEL, station: Station | None = None) -> Proven:
    (found,) = proven_points([(point, meaning_of(point))], proofs, station)
    return found


def test_what_passed_and_is_read_as_then_is_proven(step: Make) -> None:
    found = look(signed(1, said(step)))
    assert (found.is_proven, found.why, found.by, found.at_ms, found.proof_id) == (
        (True, "", "R. Hale", 1000, 1)
    )


def test_a_site_without_proofs_has_nothing_proven() -> None:
    assert look() == Proven("LVL", False, "never tested")


@pytest.mark.parametrize(
    ("point", "why"),
    [
        (replace(LEVEL, value=(0.0, 5.0)), "rescaled since"),
        (replace(LEVEL, unit="ft"), "rescaled since"),
        (replace(LEVEL, register=5), "moved to another register since"),
        (replace(LEVEL, table=Table.HOLDING), "moved to another register since"),
        (replace(LEVEL, word_order=Order.LOW_FIRST), "read in another way since"),
        (
            replace(LEVEL, register=5, raw=(0.0, 1.0)),
            "moved to another register and rescaled since",
        ),
    ],
)
def test_a_point_that_is_read_otherwise_since_is_not(step: Make, point: Point, why: str) -> None:
    found = look(signed(1, said(step)), point=point)
    assert (found.is_proven, found.why, found.then) == (False, why, THEN)


def test_other_limits_or_another_name_prove_no_less(step: Make) -> None:
    assert look(signed(1, said(step)), point=replace(LEVEL, name="Pool", deadband=0.5)).is_proven


def test_whole_numbers_of_a_scale_mean_the_same_as_fractions(step: Make) -> None:
    assert look(signed(1, said(step)), point=replace(LEVEL, value=(0, 6))).is_proven


def test_the_newest_judgement_decides_and_a_gap_takes_nothing_away(step: Make) -> None:
    passed, failed = signed(1, said(step)), signed(2, said(step, Result.FAIL))
    skipped = signed(3, said(step, Result.NOT_TESTED, note="no ladder"))
    assert look(passed, failed).why == "failed"
    assert look(passed, skipped).is_proven
    assert look(failed, passed).why == "failed"  # whatever order they come in
    assert look(skipped).why == "not tested: no ladder"
    assert look(signed(4)).why == "never tested"


def test_as_left_has_the_last_word(step: Make) -> None:
    found = said(step, Result.FAIL, n=1)
    left = said(step, n=2, phase=Phase.AS_LEFT)
    assert look(signed(1, found, left)).is_proven
    assert verdicts_of([left, found]) == {"LVL": left}


def test_another_station_has_proven_nothing(step: Make) -> None:
    proof = signed(1, said(step), part_id=7)
    assert look(proof, station=Station(7, 0)).is_proven
    assert look(proof, station=Station(8, 1500)).why == "station replaced since"
    assert look(proof, station=None).is_proven


def test_a_station_entered_afterwards_may_be_another(step: Make) -> None:
    proof = signed(1, said(step))  # at 1000 ms, its station not in the register
    assert look(proof, station=Station(8, 500)).is_proven  # it was there then
    assert look(proof, station=Station(8, 1500)).why == "another station entered since"


def test_a_meaning_comes_back_from_paper_as_it_was() -> None:
    again = meaning_from({"digest": THEN.digest, **THEN.as_json()})
    assert again == THEN
    assert changed(THEN, again) == ""
    assert meaning_from({}) is None


def test_a_digest_is_32_figures_and_moves_with_every_part() -> None:
    others = [
        replace(THEN, **{name: other})
        for name, other in {
            "kind": "rate",
            "table": "holding",
            "register": 5,
            "layout": "int16",
            "bit": 1,
            "length": 2,
            "word_order": "low-first",
            "byte_order": "low-first",
            "raw": (0.0, 1.0),
            "value": (0.0, 1.0),
            "unit": "ft",
            "loop": None,
        }.items()
    ]
    assert len({one.digest for one in others} | {THEN.digest}) == 1 + len(
        Meaning.__dataclass_fields__
    )
    assert len(THEN.digest) == 32

"""The demo's commissioning records: four sites, signed, with what was not tested and as left."""

import pytest

from tallymast.demo import demonstration
from tallymast.demo.proofs import STORIES, demo_proofs
from tallymast.domain.commissioning.proven import verdicts_of
from tallymast.domain.commissioning.steps import Phase, Result, Step, StepKind, meaning_of
from tallymast.storage import proof_steps, proofs
from tallymast.storage.engine import open_database

NOW_MS = 1_795_618_920_000  # 25 November 2026 08:02 in Denver


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[proofs.Proof, list[Step]]]:
    database = open_database(tmp_path_factory.mktemp("demo") / "tallymast.sqlite3")
    scene = demonstration.begin(database, NOW_MS)
    assert demo_proofs(database, scene, "1.0") == len(STORIES)
    assert demo_proofs(database, scene, "1.0") == 0
    found = {}
    with database.reading() as conn:
        for _, plan in scene.sites:
            for proof in proofs.of_site(conn, plan.site_id):
                steps = proof_steps.of_proof(conn, proof.id)
                found[plan.site.key] = (proof, steps)
                known = {point.tag: meaning_of(point) for point in plan.site.points}
                said = verdicts_of(steps)
                assert {tag: step.meaning for tag, step in said.items()} == known
    database.close()
    return found


def test_fennel_dosing_was_commissioned_three_days_ago(
    told: dict[str, tuple[proofs.Proof, list[Step]]],
) -> None:
    proof, steps = told["fennel-dosing"]
    # The demo's log book: D-3 09:40, R. Hale; 22 November 2026 09:40 MST is 16:40 UTC.
    assert proof.signed_ms == 1_795_365_600_000
    assert (proof.signed_name, proof.at_base) == ("R. Hale", "M. Okoro")
    assert {step.result for step in verdicts_of(steps).values()} == {Result.PASS}


def test_one_output_was_not_tested_and_says_why(
    told: dict[str, tuple[proofs.Proof, list[Step]]],
) -> None:
    _, steps = told["quill-tank"]
    out2 = verdicts_of(steps)["OUT2"]
    assert (out2.result, out2.note) == (Result.NOT_TESTED, "spare, nothing is connected")


def test_one_span_was_found_wrong_and_left_right(
    told: dict[str, tuple[proofs.Proof, list[Step]]],
) -> None:
    _, steps = told["upper-weir"]
    level = [step for step in steps if step.tag == "LVL" and step.kind is StepKind.CHECK]
    found = [step.error_pct for step in level if step.phase is Phase.AS_FOUND]
    left = [step.error_pct for step in level if step.phase is Phase.AS_LEFT]
    assert found[-1] == pytest.approx(1.4, abs=0.1)  # as the story has it, in whole counts
    assert max(abs(one or 0) for one in left) < 0.1


def test_nothing_else_is_claimed(told: dict[str, tuple[proofs.Proof, list[Step]]]) -> None:
    assert set(told) == {"fennel-dosing", "quill-tank", "upper-weir", "gannet-turnout"}
    checks = [step for _, steps in told.values() for step in steps if step.kind is StepKind.CHECK]
    assert all(step.result is not Result.FAIL or step.phase is Phase.AS_FOUND for step in checks)

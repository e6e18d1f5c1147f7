"""The check-out: values are taken by a poll of their own; results are kept with their act."""

import re

import pytest
from tests.routes.commissioning.conftest import NAMES, SITE, Bench, text_of
from tests.routes.conftest import NOW_MS, words

from tallymast.domain.commissioning.steps import Phase, Result, StepKind
from tallymast.domain.model import Outcome, PollFlag
from tallymast.storage import jobs, proofs


def test_a_proof_begins_with_two_persons_and_an_act(bench: Bench) -> None:
    page = text_of(bench.page())
    assert "Who is at the site" in page
    assert bench.begin().headers["location"] == f"{SITE}/check-out"
    proof = bench.proof()
    assert (proof.at_site, proof.at_base, proof.kind) == ("R. Hale", "M. Okoro", "commissioning")
    (entry,) = bench.told("proof.begin")
    assert "R. Hale at the site, M. Okoro at base" in entry.sentence
    assert "Two persons" not in bench.page()


@pytest.mark.parametrize("base", ["", "r. hale", "R.  Hale "])
def test_one_person_has_to_say_why(bench: Bench, base: str) -> None:
    refused = bench.begin(at_base=base)
    assert refused.status_code == 422
    assert "or why one person does both" in refused.text
    assert 'value="R. Hale"' in refused.text  # what was typed stays
    assert bench.begin(at_base=base, alone="no second radio").status_code == 303
    assert bench.proof().detail["alone"] == "no second radio"


def test_a_second_one_does_not_begin_beside_it(going: Bench) -> None:
    refused = going.begin()
    assert refused.status_code == 409
    assert "is going on; end that one first" in refused.text


def test_every_point_is_shown_live_with_what_is_expected(going: Bench) -> None:
    plan = going.world.plan("quill-tank")
    going.world.polls("quill-tank", [(NOW_MS - 5000, Outcome.FIRST_TRY, words(12_000, 1287, 1))])
    page = text_of(going.page())
    assert "2.50 m" in page.replace("\u00a0", " ")  # 12 mA of 0-5 m, by hand
    assert "12.87 V" in page.replace("\u00a0", " ")
    assert "5 s ago" in page
    assert "12.00 mA, inside the measuring range" in page.replace("\u00a0", " ")
    assert "Take 16 mA 3.750 m" in page.replace("\u00a0", " ")
    assert plan.site.name in page


def test_a_taken_value_is_that_of_the_poll_it_asked_for(going: Bench) -> None:
    going.level_ua = 12_016
    assert going.take("LVL", "up 50").headers["location"].endswith("#row-LVL")
    (step,) = going.steps()
    # By hand: 12.016 mA is 2.505 m; 0.005 m of 5 m is 0.1 %.
    assert (step.applied, step.expected, step.shown) == (12.0, 2.5, pytest.approx(2.505))
    assert step.error_pct == pytest.approx(0.1)
    assert (step.result, step.raw, step.kind) == (Result.PASS, 12_016.0, StepKind.CHECK)
    assert step.shown_ms == going.world.now_ms > NOW_MS
    assert step.meaning is not None
    assert step.meaning.register == 0
    (entry,) = going.told("proof.take")
    assert "LVL, as found, 12\u00a0mA, +0.10\u00a0%." in entry.sentence


def test_a_value_outside_the_tolerance_fails_and_passes_only_with_a_word(going: Bench) -> None:
    going.level_ua = 12_100  # by hand: 0.625 % of span
    going.take("LVL", "up 50")
    assert going.steps()[0].result is Result.FAIL
    refused = going.result("LVL", "pass")
    assert refused.status_code == 422
    assert "Outside the tolerance: 1 of 1 taken." in refused.text
    assert going.result("LVL", "pass", "old gauge, good enough").status_code == 303


def test_what_is_typed_stays_when_it_is_refused(going: Bench) -> None:
    refused = going.take("VBAT", "up", amount="twelve")
    assert refused.status_code == 422
    assert "as a number, such as 12.6" in refused.text
    assert 'value="twelve"' in refused.text


def test_an_older_value_is_never_taken(going: Bench) -> None:
    going.late = True
    waits = going.take("VBAT", "up", amount="12.87")
    place = waits.headers["location"]
    assert re.search(r"job=\d+", place)
    number = int(re.search(r"job=(\d+)", place)[1])  # type: ignore[index]
    # A poll that was due anyway comes in between: it may have begun before the press.
    going.world.polls(
        "quill-tank", [(going.world.now_ms + 10, Outcome.FIRST_TRY, words(12_000, 999, 0))]
    )
    going.world.now_ms += 20
    still = going.take("VBAT", "up", amount="12.87", job=str(number))
    assert "job=" in still.headers["location"]
    assert going.steps() == []
    page = going.client.get(place).text
    assert "nothing older is taken" in page
    assert 'value="12.87"' in page
    going.answer()
    assert (
        "job=" not in going.take("VBAT", "up", amount="12.87", job=str(number)).headers["location"]
    )
    (step,) = going.steps()
    assert step.shown == pytest.approx(12.87)


def test_a_regular_poll_that_was_under_way_does_not_count(going: Bench) -> None:
    going.late = True
    number = re.search(r"job=(\d+)", going.take("LVL", "up 0").headers["location"])[1]  # type: ignore[index]
    going.answer(flags=PollFlag.NONE)
    assert "job=" in going.take("LVL", "up 0", job=number).headers["location"]
    going.world.now_ms += 16_000
    refused = going.take("LVL", "up 0", job=number)
    assert "The answer is not on record" in refused.text
    assert going.steps() == []


def test_a_silent_station_gives_no_value_and_a_reason(going: Bench) -> None:
    going.mute = True
    refused = going.take("LVL", "up 0")
    assert refused.status_code == 422
    assert "Nothing was taken: Quill Tank: no answer within 2.0 s." in refused.text
    assert going.steps() == []


def test_another_sites_poll_is_not_taken(going: Bench) -> None:
    other = going.world.plan("osier-pond").site_id
    with going.world.database.writing() as conn:
        job = jobs.ask(conn, "poll", site_id=other, actor="x", at_ms=NOW_MS)
    refused = going.take("LVL", "up 0", job=str(job.id))
    assert "was not asked for here" in refused.text


def test_a_failure_current_proves_that_no_value_is_shown(going: Bench) -> None:
    # NAMUR NE 43: 3.6 mA or less is a failure.
    going.level_ua = 3500
    going.take("LVL", "up", amount="3.5", unit="mA")
    (step,) = going.steps()
    assert (step.shown, step.result) == (None, Result.PASS)
    assert "sensor loop is open" in step.note


def test_a_contact_ticks_itself_off_by_ordinary_polls(going: Bench) -> None:
    assert "Not seen yet: shut and open." in text_of(going.page())
    later = [
        (NOW_MS + 1000 * n, Outcome.FIRST_TRY, words(12_000, 1287, n % 2)) for n in (10, 11, 12)
    ]
    going.world.now_ms = NOW_MS + 20_000
    going.world.polls("quill-tank", later)
    assert "Not seen yet" not in text_of(going.page())
    assert going.result("HATCH", "pass").status_code == 303
    states = [one for one in going.steps("HATCH") if one.kind is StepKind.STATE]
    assert [(one.shown, one.shown_ms) for one in states] == [
        (0.0, NOW_MS + 10_000),
        (1.0, NOW_MS + 11_000),
    ]


def test_what_was_seen_before_the_proof_began_does_not_count(bench: Bench) -> None:
    made = [(NOW_MS - 1000 * n, Outcome.FIRST_TRY, words(0, 0, n % 2)) for n in (2, 1)]
    bench.world.polls("quill-tank", made)
    bench.begin()
    assert "Not seen yet: shut and open." in text_of(bench.page())


def test_not_tested_needs_a_reason(going: Bench) -> None:
    refused = going.result("HATCH", "not-tested")
    assert "why it was not tested" in refused.text
    assert going.result("HATCH", "not-tested", "no ladder").status_code == 303
    assert going.steps()[0].result is Result.NOT_TESTED
    (entry,) = going.told("proof.verdict")
    assert entry.sentence.endswith("judged a point of Quill Tank: HATCH, as found, not tested.")


def test_after_an_adjustment_values_are_as_left(going: Bench) -> None:
    going.level_ua = 12_400
    going.take("LVL", "up 50")
    going.result("LVL", "fail")
    assert "what was adjusted" in going.post("adjust", tag="LVL").text
    going.post("adjust", tag="LVL", note="zero trimmed")
    assert "as found fail" in text_of(going.page())
    going.level_ua = 12_000
    going.take("LVL", "up 50")
    assert [one.phase for one in going.steps()[-2:]] == [Phase.AS_LEFT, Phase.AS_LEFT]


def test_another_tolerance_holds_from_then_on(going: Bench) -> None:
    going.level_ua = 12_100
    going.post("tolerance", tag="LVL", tolerance="1")
    going.take("LVL", "up 50")
    assert (going.steps()[0].result, going.steps()[0].tolerance_pct) == (Result.PASS, 1.0)
    assert going.post("tolerance", tag="LVL", tolerance="-1").status_code == 422


def test_with_scripts_only_the_row_and_the_count_come_back(going: Bench) -> None:
    found = going.client.post(
        f"{SITE}/check-out/result",
        data={"tag": "VBAT", "result": "pass"},
        headers={"hx-request": "true"},
    )
    assert found.status_code == 200  # so that it is shown in the row
    assert found.text.lstrip().startswith('<li class="pt" id="row-VBAT"')
    assert "Nothing was taken yet." in found.text
    assert 'hx-target="#progress"' in found.text
    assert 'id="row-LVL"' not in found.text


def test_the_live_part_touches_no_form(going: Bench) -> None:
    going.world.polls("quill-tank", [(NOW_MS - 1000, Outcome.FIRST_TRY, words(8000, 1200, 0))])
    part = going.client.get(f"{SITE}/check-out/live").text
    assert set(re.findall(r'hx-target="#([^"]+)"', part)) == {
        "now-LVL",
        "now-VBAT",
        "now-HATCH",
        "seen-HATCH",
    }
    assert "<input" not in part
    assert "1.25\u00a0m" in part
    assert going.client.get("/sites/osier-pond/check-out/live").text == ""


def test_leaving_keeps_it_and_proves_nothing(going: Bench) -> None:
    assert going.post("leave").status_code == 422
    assert going.post("leave", sure="true").headers["location"] == f"{SITE}/proofs"
    assert going.proof().state == "left"
    assert "left unsigned" in going.client.get(f"{SITE}/proofs").text
    assert "No commissioning record is kept here." in going.client.get(SITE).text


def test_a_tag_that_is_none_of_the_sites_is_told(going: Bench) -> None:
    assert going.result("LVLL", "fail").status_code == 404
    assert "Did you mean &#39;LVL&#39;?" in going.result("LVLL", "fail").text


def test_nothing_is_kept_where_no_check_out_goes_on(bench: Bench) -> None:
    refused = bench.result("LVL", "fail")
    assert refused.status_code == 409
    assert "No check-out of Quill Tank is going on" in refused.text
    assert bench.told("proof.verdict") == []


def test_names_are_kept_on_one_line(bench: Bench) -> None:
    bench.begin(at_site="R.\nHale<b>")
    assert bench.proof().at_site == "R. Hale<b>"
    assert "R. Hale&lt;b&gt;" in bench.page()
    assert NAMES["at_site"] == "R. Hale"


def test_a_proof_begun_by_an_earlier_step_is_taken_up_with_its_findings(bench: Bench) -> None:
    site = bench.world.plan("quill-tank").site_id
    with bench.world.database.writing() as conn:
        proof = proofs.begin(conn, site, "commissioning", actor="tess", at_ms=NOW_MS)
        proofs.put_detail(conn, proof, "link", {"sentence": "Good: 40 of 40."}, at_ms=NOW_MS)
    assert "Who is at the site" in bench.page()
    refused = bench.client.post(f"/proofs/{proof.id}/sign", data={"name": "R. Hale"})
    assert "who was at the site" in refused.text
    assert bench.begin().status_code == 303
    assert (bench.proof().id, bench.proof().at_site) == (proof.id, "R. Hale")
    assert "Good: 40 of 40." in bench.client.get(f"/proofs/{proof.id}").text

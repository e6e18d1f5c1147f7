"""What visitors found moves a score a little, says so, and never names or silences a cause."""

from math import exp, log

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta
from tests.domain.health.diagnosis.told import DAY, T0, antenna

from tallymast.domain.health.diagnosis.experience import (
    MOST,
    Experience,
    PastWord,
    Verdict,
    shift,
    with_experience,
)
from tallymast.domain.health.diagnosis.model import APART, SPOKEN, At, Diagnosis

YES, OTHER, NOTHING = Verdict.CONFIRMED, Verdict.OTHER, Verdict.NOTHING


def word(site_id: int | None, verdict: Verdict, n: int = 0, **change: object) -> PastWord:
    fields: dict[str, object] = {"cause": "antenna", "gateway_id": 1, "at_ms": T0 - n * DAY}
    return PastWord(site_id=site_id, verdict=verdict, **(fields | change))  # type: ignore[arg-type]


def told(one: Diagnosis, *words: PastWord) -> Diagnosis:
    (found,) = with_experience([one], Experience(words))
    return found


def said(one: Diagnosis) -> list[str]:
    return [
        said.text.format(*("AT" if isinstance(v, At) else v for v in said.values))
        for said in one.rests_on
    ]


@given(st.integers(0, 40), st.integers(0, 40))
def test_the_shift_is_that_of_a_beta_mean_and_bounded(right: int, wrong: int) -> None:
    # scipy's Beta distribution: the mean's log odds against the prior's, 4 to 1.
    mean = beta(16 + right, 4 + wrong).mean()
    moved = log(mean / (1 - mean)) - log(4)
    assert shift(right, wrong) == pytest.approx(max(-0.5, min(moved, 0.5)), abs=1e-9)


@given(st.integers(0, 30), st.integers(0, 30))
def test_each_confirmation_speaks_for_and_each_other_word_against(right: int, wrong: int) -> None:
    assert shift(right + 1, wrong) >= shift(right, wrong) >= shift(right, wrong + 1)


def test_visits_that_turn_out_as_expected_move_nothing() -> None:
    assert shift(0, 0) == 0
    assert shift(8, 2) == pytest.approx(0)


def test_no_experience_changes_nothing() -> None:
    one = antenna()
    assert told(one) is one
    assert told(one, word(12, YES, cause="battery-age")) is one


def test_words_alone_name_nothing() -> None:
    assert with_experience([], Experience([word(12, YES) for _ in range(50)])) == ()


@given(
    st.floats(SPOKEN, 12),
    st.lists(st.tuples(st.sampled_from([12, 13, None]), st.sampled_from(Verdict)), max_size=40),
)
def test_a_cause_that_was_named_stays_named(
    score: float, words: list[tuple[int | None, Verdict]]
) -> None:
    found = told(antenna(score=score), *(word(*one) for one in words))
    assert found.score >= SPOKEN
    assert abs(found.score - score) <= MOST + 1e-9


def test_experience_alone_never_turns_one_cause_over_another_that_is_apart() -> None:
    # Two shifts of at most MOST each are no more than what parts two causes.
    assert 2 * MOST <= APART


def test_a_visit_here_weighs_more_than_one_elsewhere() -> None:
    here, there = told(antenna(), word(12, OTHER)), told(antenna(), word(13, OTHER))
    assert here.score < there.score < antenna().score
    # By hand: 16 to 4 are odds of 4; a visit elsewhere makes it 16 to 5, one here 16 to 6.
    assert exp(there.score - antenna().score) == pytest.approx(16 / 5 / 4)
    assert exp(here.score - antenna().score) == pytest.approx(16 / 6 / 4)


def test_what_was_found_here_is_said_with_its_day() -> None:
    found = told(antenna(), word(12, YES, 5, found="connector"), word(12, NOTHING, 90))
    assert said(found) == ["Here before: AT, confirmed (connector); AT, nothing found."]
    assert [v for v in found.rests_on[0].values if isinstance(v, At)] == [
        At(T0 - 5 * DAY),
        At(T0 - 90 * DAY),
    ]


def test_a_word_on_the_finding_that_stands_is_no_earlier_one() -> None:
    found = told(antenna(), word(12, OTHER, 0, is_open=True, found="fuse"), word(12, YES, 40))
    assert said(found) == [
        "Visited for this: AT, something else (fuse).",
        "Here before: AT, confirmed.",
    ]


def test_many_visits_are_said_with_their_counts() -> None:
    words = [word(100 + n, YES, n) for n in range(11)] + [word(12, NOTHING)]
    assert said(told(antenna(), *words))[-1] == "Of 12 such findings visited, 11 were confirmed."
    assert said(told(antenna(), *words[:2])) == []  # two visits elsewhere tell nothing yet


def test_at_another_point_or_another_gateway_is_elsewhere() -> None:
    loop = antenna(cause="loop", tag="LVL")
    other = told(loop, word(12, YES, cause="loop", tag="PRS"))
    assert said(other) == []
    gateway = antenna(cause="backhaul", site_ids=())
    lost = word(None, YES, cause="backhaul")
    assert said(told(gateway, lost)) == ["Here before: AT, confirmed."]
    assert said(told(gateway, word(None, YES, cause="backhaul", gateway_id=2))) == []


def test_the_surest_comes_first_again() -> None:
    # ln(16 / 6 / 4) = -0.405 here, ln(16 / 5 / 4) = -0.223 there: 3.595 and 3.627.
    first, second = antenna(12, score=4.0), antenna(13, score=3.85)
    found = with_experience([first, second], Experience([word(12, OTHER)]))
    assert [one.site_ids for one in found] == [(13,), (12,)]


def test_what_a_visitor_wrote_is_a_value_and_never_a_place_for_one() -> None:
    found = told(antenna(), word(12, OTHER, found="{0} {nothing}"))
    assert said(found) == ["Here before: AT, something else ({0} {nothing})."]

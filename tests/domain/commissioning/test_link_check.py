"""A link's verdict from polls made by hand; shares and percentiles against general libraries."""

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats.mstats import mquantiles
from statsmodels.stats.proportion import proportion_confint

from tallymast.domain.commissioning.link_check import (
    Expected,
    LinkCheck,
    Verdict,
    check_link,
    compared,
    enough_for,
    first_try_of,
    longest_run,
    times_of,
)
from tallymast.domain.model import Outcome, Poll, PollFlag

FIRST, RETRIED, MISSED = Outcome.FIRST_TRY, Outcome.RETRIED, Outcome.NO_ANSWER
HELD = Expected(reply_timeout_s=2.0, miss_limit=3)


def polls(outcomes: Sequence[Outcome], ms: Sequence[float] = ()) -> list[Poll]:
    """Polls a second apart, answered in 200 ms where nothing else is said."""
    times = list(ms) or [200.0] * len(outcomes)
    return [
        Poll(1, 1000 * n, o, PollFlag.DEMAND, 1, t if o.is_answered else None, 1, 1, 0, b"")
        for n, (o, t) in enumerate(zip(outcomes, times, strict=True))
    ]


def checked(outcomes: Sequence[Outcome], signal: Sequence[float] = ()) -> LinkCheck:
    return check_link(polls(outcomes), signal, "dBm", HELD)


def apart(n: int, bad: Outcome, whole: int) -> list[Outcome]:
    """``whole`` polls, every ``whole // n``-th of them bad, no two beside each other."""
    step = whole // n
    return [bad if place % step == 0 and place // step < n else FIRST for place in range(whole)]


def test_fifty_clean_polls_are_a_good_link_with_a_wide_interval() -> None:
    found = checked([FIRST] * 50, [-80.0, -79.0])
    assert found.verdict is Verdict.GOOD
    # With a correlation of 0.7 from poll to poll 50 polls are worth 50 x 0.3 / 1.7 = 8.82.
    assert found.first_try.effective_n == pytest.approx(8.82, abs=0.01)
    low, high = proportion_confint(8.8235, 8.8235, method="wilson")
    assert (found.first_try.low, found.first_try.high) == pytest.approx((low, high), abs=1e-4)


def test_the_test_s_own_correlation_counts_where_it_shows_one() -> None:
    # By hand, 10 bursts of 2 in 60 polls that begin and end well: after one of the 39 good polls
    # that another follows a bad one came 10 times (p = 10/39); after 20 bad ones a good one 10
    # times (r = 0.5): correlation 1 - 10/39 - 0.5 = 0.24359, worth 60 x 0.75641 / 1.24359 = 36.495.
    row = ([FIRST] * 2 + [RETRIED] * 2 + [FIRST] * 2) * 10
    found = first_try_of(polls(row))
    assert (found.part, found.whole) == (40, 60)
    assert found.effective_n == pytest.approx(36.495, abs=0.001)
    low, high = proportion_confint(36.495 * 2 / 3, 36.495, method="wilson")
    assert (found.low, found.high) == pytest.approx((low, high), abs=1e-4)


def test_percentiles_agree_with_a_general_library() -> None:
    ms = [80.0, 95.0, 120.0, 300.0, 82.0, 84.0, 79.0, 1500.0]
    found = times_of(polls([FIRST] * 8, ms))
    assert found is not None
    # scipy's plotting positions alphap = betap = 1: linear interpolation of order statistics.
    median, p95 = mquantiles(ms, [0.5, 0.95], alphap=1, betap=1)
    assert (found.median, found.p95) == pytest.approx((median, p95))
    assert (found.least, found.most) == (79.0, 1500.0)


def test_nobody_who_answered_took_no_time() -> None:
    assert times_of(polls([MISSED] * 5)) is None


@pytest.mark.parametrize(
    ("row", "verdict"),
    [
        ([FIRST] * 19, Verdict.TOO_FEW),
        ([MISSED] * 19, Verdict.TOO_FEW),
        ([FIRST] * 20, Verdict.GOOD),
        (apart(1, MISSED, 50), Verdict.GOOD),  # one lost of 50: 98 % at the first try
        (apart(2, MISSED, 50), Verdict.USABLE),  # 96 % answered, under 99 %
        (apart(10, RETRIED, 100), Verdict.USABLE),  # 90 % at the first try, all answered
        (apart(25, RETRIED, 100), Verdict.BAD),  # 75 % at the first try
        (apart(10, MISSED, 100), Verdict.BAD),  # 90 % answered
        ([MISSED] * 50, Verdict.BAD),
        ([FIRST] * 99 + [MISSED], Verdict.GOOD),
        ([FIRST] * 198 + [MISSED] * 2, Verdict.USABLE),  # 99 %, but two in a row
        ([FIRST] * 197 + [MISSED] * 3, Verdict.BAD),  # three in a row make a comm fail
    ],
)
def test_the_verdict_follows_its_stated_limits(row: list[Outcome], verdict: Verdict) -> None:
    assert checked(row).verdict is verdict


def test_slow_answers_make_a_link_usable_and_late_ones_bad() -> None:
    # The reply timeout is 2 s: half is 1000 ms, eight tenths are 1600 ms.
    for ms, verdict in ((900.0, Verdict.GOOD), (1200.0, Verdict.USABLE), (1700.0, Verdict.BAD)):
        found = check_link(polls([FIRST] * 50, [ms] * 50), (), "", HELD)
        assert found.verdict is verdict, ms


def test_answers_that_vary_wide_show_the_radio_trying_again() -> None:
    ms = [100.0] * 45 + [400.0] * 5  # the 95th percentile is 4 medians
    found = check_link(polls([FIRST] * 50, ms), (), "", HELD)
    assert found.verdict is Verdict.USABLE
    assert "4.0 times the usual 100 ms" in found.reasons[0].said
    assert "try again beneath" in found.reasons[0].do


def test_a_signal_that_moves_is_watched_and_only_in_decibels() -> None:
    levels = [-80.0, -91.0, -84.0]
    found = checked([FIRST] * 50, levels)
    assert found.verdict is Verdict.USABLE
    assert found.signal is not None
    assert (found.signal.least, found.signal.median, found.signal.most) == (-91.0, -84.0, -80.0)
    assert check_link(polls([FIRST] * 50), levels, "%", HELD).verdict is Verdict.GOOD


def test_polls_the_gateway_lost_are_not_counted_against_the_site() -> None:
    found = checked([FIRST] * 30 + [Outcome.GATEWAY_LOST] * 20)
    assert (found.asked, found.gateway_lost, found.verdict) == (30, 20, Verdict.GOOD)


def test_what_was_missed_is_told_by_kind() -> None:
    row = [FIRST] * 46 + [MISSED, FIRST, Outcome.GARBLED, FIRST]
    found = checked(row)
    assert found.missed == {Outcome.NO_ANSWER: 1, Outcome.GARBLED: 1}
    assert (found.answered, found.longest_run) == (48, 1)


def test_runs_are_counted_in_a_row() -> None:
    assert longest_run([True, True, False, True, True, True, False]) == 3
    assert longest_run([False]) == 0
    assert longest_run([]) == 0


def test_nothing_asked_says_nothing() -> None:
    found = checked([])
    assert (found.verdict, found.reasons, found.first_try.low) == (Verdict.TOO_FEW, (), None)


def test_a_test_compares_with_one_before() -> None:
    good, bad = checked([FIRST] * 200), checked(apart(100, RETRIED, 200))
    assert compared(bad, good) == "worse, beyond chance"
    assert compared(good, bad) == "better, beyond chance"
    assert compared(checked([FIRST] * 50), checked(apart(1, MISSED, 50))).startswith("no diff")


def test_a_longer_test_is_named_where_it_would_tell_more() -> None:
    # 50 of 50: the interval reaches down to 0.70; a half width of 0.30 must become 0.20, which
    # takes 50 x (0.303 / 0.2)^2 = 115 polls: of the choices 200.
    assert enough_for(checked([FIRST] * 50).first_try) == 200
    assert enough_for(checked([FIRST] * 200).first_try) is None  # it tells enough already
    assert enough_for(checked(apart(25, RETRIED, 50)).first_try) is None  # half: no number helps


ORDER = [Verdict.GOOD, Verdict.USABLE, Verdict.BAD]


@given(st.lists(st.sampled_from([FIRST, RETRIED, MISSED]), min_size=20, max_size=80), st.data())
def test_one_more_poll_missed_makes_no_link_better(row: list[Outcome], data: st.DataObject) -> None:
    place = data.draw(st.integers(0, len(row) - 1))
    worse = [*row[:place], MISSED, *row[place + 1 :]]
    assert ORDER.index(checked(worse).verdict) >= ORDER.index(checked(row).verdict)

"""Shares of polls: against two statistics libraries, printed examples, and by simulation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from tallymast.domain.health.comms.intervals import (
    design_effect,
    difference,
    differs,
    effective_n,
    share_of,
    wilson,
)
from tallymast.domain.health.comms.model import Share

POLLS_AN_HOUR = 60


@pytest.mark.parametrize(
    ("part", "whole", "low", "high"),
    [
        # Newcombe, Stat. Med. 17 (1998) 857-872, table I, method 3 (his pairs; the digits by
        # statsmodels 0.15.0 proportion_confint(method="wilson")).
        (81, 263, 0.255289, 0.366210),
        (15, 148, 0.062386, 0.160487),
        (0, 20, 0.0, 0.161125),
        (1, 29, 0.006113, 0.171755),
        # vassarstats.net/prop1.html, its example; statsmodels 0.15.0.
        (23, 60, 0.270883, 0.509824),
        (1, 10, 0.017876, 0.404150),
        (5, 10, 0.236593, 0.763407),
        (0, 10, 0.0, 0.277533),
        # of the size of a day of polls; statsmodels 0.15.0.
        (0, 288, 0.0, 0.013163),
        (288, 288, 0.986837, 1.0),
        (2856, 2880, 0.987630, 0.994394),
        (1437, 1440, 0.993893, 0.999291),
        (43, 1440, 0.022244, 0.039980),
    ],
)
def test_wilson_gives_the_printed_intervals(part: int, whole: int, low: float, high: float) -> None:
    assert wilson(part, whole) == pytest.approx((low, high), abs=1e-6)


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 5000), st.floats(0, 1), st.floats(0.5, 0.999))
def test_wilson_agrees_with_two_libraries(whole: int, share: float, level: float) -> None:
    part = round(share * whole)
    ours = wilson(part, whole, level)
    assert ours == pytest.approx(
        proportion_confint(part, whole, 1 - level, method="wilson"), abs=1e-9
    )
    theirs = binomtest(part, whole).proportion_ci(level, method="wilson")
    assert ours == pytest.approx((theirs.low, theirs.high), abs=1e-9)


def test_nothing_asked_leaves_everything_open() -> None:
    assert wilson(0, 0) == (0.0, 1.0)


def test_at_a_correlation_of_seven_tenths_18_of_100_polls_count() -> None:
    # arithmetic: 0.3 / 1.7
    assert effective_n(100, 0.7) == pytest.approx(17.647059, abs=1e-6)
    assert effective_n(100, 0.0) == 100


def test_independent_polls_are_worth_themselves() -> None:
    rng = np.random.default_rng(7)
    wholes = np.full(720, POLLS_AN_HOUR)
    # Of 720 blocks the dispersion has a standard error of sqrt(2 / 719) = 0.053.
    assert design_effect(rng.binomial(60, 0.1, 720), wholes) == pytest.approx(1, abs=0.16)


def test_hours_that_miss_everything_or_nothing_are_one_poll_each() -> None:
    # by hand: 20 hours of 60 polls, half of them wholly missed: share 1/2, every block off by 30
    # polls: 20 * 900 * 20 / 19 / (1200 * 0.25) = 63.157895
    missed = np.tile([60, 0], 10)
    assert design_effect(missed, np.full(20, 60)) == pytest.approx(63.157895, abs=1e-6)


@pytest.mark.parametrize("misses", [0, 9])
def test_a_site_that_shows_too_little_counts_as_usually_bursty(misses: int) -> None:
    missed = np.zeros(168, np.int64)
    missed[0] = misses
    # arithmetic: 1.7 / 0.3
    assert design_effect(missed, np.full(168, 60)) == pytest.approx(5.666667, abs=1e-6)


@pytest.mark.parametrize(
    ("hours", "polls"),
    [(23, 60), (30, 3)],  # 23 hours; 90 polls
)
def test_no_rate_is_told_of_too_little(hours: int, polls: int) -> None:
    share = share_of(np.full(hours, polls), np.full(hours, polls))
    assert (share.share, share.is_known) == (1.0, False)


def test_hours_not_asked_do_not_count_as_hours() -> None:
    wholes = np.array([60] * 23 + [0] * 10)
    assert not share_of(wholes, wholes).is_known
    assert share_of(np.zeros(0, np.int64), np.zeros(0, np.int64)).share is None


def channel(rng: np.random.Generator, p: float, r: float, sites: int, polls: int) -> np.ndarray:
    """Missed polls of sites whose channel fails with chance p a poll and heals with r."""
    missed = np.empty((polls, sites), bool)
    bad = rng.random(sites) < p / (p + r)
    for poll, luck in enumerate(rng.random((polls, sites))):
        missed[poll] = bad
        bad = np.where(bad, luck >= r, luck < p)
    return missed.T


@pytest.mark.parametrize("days", [7, 30])
@pytest.mark.parametrize(
    ("p", "r", "raw_covers_less_than"),
    # NTIA gilbert-elliot-model, model_error_statistics: bursts of 5, of 4; the last independent
    [(0.01, 0.2, 0.7), (0.05, 0.25, 0.75), (0.05, 0.95, 1.0)],
)
def test_19_of_20_intervals_hold_the_true_share_where_misses_come_in_bursts(
    p: float, r: float, raw_covers_less_than: float, days: int
) -> None:
    rng = np.random.default_rng(1998)
    sites, polls = 250, 30
    missed = channel(rng, p, r, sites, days * 24 * polls).reshape(sites, -1, polls).sum(axis=2)
    wholes, true = np.full(days * 24, polls), p / (p + r)
    shares = [share_of(hours, wholes) for hours in missed]
    held = np.mean([share.low <= true <= share.high for share in shares])
    # 250 intervals of 95 %: a standard error of 1.4 %
    assert 0.91 <= held <= 0.99
    raw = [wilson(share.part, share.whole) for share in shares]
    assert np.mean([low <= true <= high for low, high in raw]) <= raw_covers_less_than


@settings(max_examples=40, deadline=None)
@given(st.integers(10, 500), st.floats(0.02, 0.98), st.integers(10, 500), st.floats(0.02, 0.98))
def test_the_difference_agrees_with_a_library(n: int, p: float, m: int, q: float) -> None:
    x, y = round(p * n), round(q * m)
    ours = difference(Share(x, n, *wilson(x, n)), Share(y, m, *wilson(y, m)))
    theirs = confint_proportions_2indep(x, n, y, m, method="newcomb", compare="diff")
    assert ours == pytest.approx(theirs, abs=1e-9)


def test_the_difference_gives_the_printed_interval() -> None:
    # Newcombe, Stat. Med. 17 (1998) 873-890, table II (a), method 10: 56/70 - 48/80,
    # 0.0524 to 0.3339 (the figures from memory; statsmodels gives the same).
    ours = difference(Share(56, 70, *wilson(56, 70)), Share(48, 80, *wilson(48, 80)))
    assert ours == pytest.approx((0.0524, 0.3339), abs=5e-5)


def test_shares_differ_only_beyond_chance() -> None:
    was = Share(9900, 10000, *wilson(9900, 10000))
    assert differs(Share(740, 1000, *wilson(740, 1000)), was)
    assert not differs(Share(988, 1000, *wilson(988, 1000)), was)
    assert not differs(Share(10, 60), was)

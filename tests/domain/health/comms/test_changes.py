"""Since when: cumulative sums, likelihood ratios and ranks against published paths and values."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom
from statsmodels.datasets import nile

from tallymast.domain.health.comms.changes import (
    bernoulli_cusum,
    likelihood_ratio,
    pettitt,
    signal_step,
    step_between,
)

MINUTE = 60_000
HOUR = 60 * MINUTE
MISSES = np.array([one == "1" for one in "0" * 40 + "0100101001100101"])


def test_the_weights_of_a_miss_and_of_an_answer() -> None:
    # log likelihood ratios of 8 % against 2 %, by hand: ln 4, ln(0.92 / 0.98)
    path = bernoulli_cusum(np.array([True, True, False]), 0.02, 0.08)
    assert path[0] == pytest.approx(1.3862944, abs=1e-6)
    assert path[2] - path[1] == pytest.approx(-0.0631789, abs=1e-6)


def test_the_cumulative_sum_takes_its_path() -> None:
    missed = np.array([one == "1" for one in "0" * 10 + "1001011001"])
    path = [0.0] * 10 + [1.386294, 1.323115, 1.259937, 2.646231, 2.583052]
    path += [3.969346, 5.355641, 5.292462, 5.229283, 6.615577]  # by hand, from the weights
    assert bernoulli_cusum(missed, 0.02, 0.08) == pytest.approx(path, abs=1e-5)


def test_the_likelihood_ratio_follows_a_published_detector() -> None:
    # changepoint-online 1.2.1, Focus(Bernoulli(0.02)): its statistic after each of the last 16
    path = [0.8283, 3.9120, 2.5459, 2.0429, 5.0919, 4.5196, 7.6378, 7.0365]
    path += [6.5446, 9.5665, 12.7297, 12.1022, 11.5512, 14.6411, 14.0730, 17.1819]
    ones = np.ones(len(MISSES), np.int64)
    found = [
        likelihood_ratio(MISSES[:n].astype(np.int64), ones[:n], 0.02)
        for n in range(41, len(MISSES) + 1)
    ]
    assert [split.statistic for split in found] == pytest.approx(path, abs=1e-4)
    assert found[-1].at == 41


def test_the_likelihood_ratio_needs_no_known_baseline() -> None:
    # changepoint-online 1.2.1, Focus(Bernoulli()): its statistic after each of the last 4
    ones = np.ones(len(MISSES), np.int64)
    found = [
        likelihood_ratio(MISSES[:n].astype(np.int64), ones[:n])
        for n in range(len(MISSES) - 3, len(MISSES) + 1)
    ]
    path = [8.4103, 9.8645, 9.3929, 10.7353]
    assert [split.statistic for split in found] == pytest.approx(path, abs=1e-4)
    assert found[-1].at == 41


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), min_size=3, max_size=12))
def test_the_likelihood_ratio_is_that_of_binomial_shares(hours: list[tuple[int, int]]) -> None:
    rows = np.array([(min(part, whole), whole + 1) for part, whole in hours])

    def likelihood(part: np.ndarray) -> float:
        share = part[:, 0].sum() / part[:, 1].sum()
        return float(binom.logpmf(part[:, 0], part[:, 1], share).sum())

    gains = [likelihood(rows[:k]) + likelihood(rows[k:]) for k in range(1, len(rows))]
    found = likelihood_ratio(rows[:, 0], rows[:, 1])
    assert found.statistic == pytest.approx(max(gains) - likelihood(rows), abs=1e-6)


def test_the_nile_changed_after_1898() -> None:
    # Pettitt's test by pyhomogeneity 1.1: U = 1617 at index 28, p 3.591e-7; the means by hand.
    flow = nile.load_pandas().data["volume"].to_numpy(float)
    found = pettitt(flow)
    assert (found.u, found.at) == (1617, 28)
    assert found.p == pytest.approx(3.591e-7, rel=1e-3)
    assert flow[: found.at].mean() == pytest.approx(1097.75)
    assert flow[found.at :].mean() == pytest.approx(849.9722, abs=1e-4)


def test_a_level_row_has_not_changed() -> None:
    assert pettitt(np.ones(30)).p == 1.0


# --- signal ---------------------------------------------------------------------------


def hourly(rng: np.random.Generator, hours: int, level: float = -79.0) -> np.ndarray:
    """Hourly means with a fade of 3 dB each night."""
    fade = 1.5 * np.sin(np.arange(hours) * 2 * np.pi / 24)
    return level + fade + rng.normal(0, 0.7, hours)


@pytest.mark.parametrize("after_h", [2, 3, 12, 24, 90])
def test_a_step_of_the_signal_is_found_to_the_hour(after_h: int) -> None:
    rng = np.random.default_rng(after_h)
    means = hourly(rng, 240 + after_h)
    means[240:] -= 19
    assert signal_step(np.arange(len(means)) * HOUR, means) == 240


def test_gaps_and_single_hours_do_not_hide_a_step_nor_make_one() -> None:
    rng = np.random.default_rng(3)
    means = hourly(rng, 340)
    means[[50, 120, 230]] -= 25
    means[[60, 61, 62, 100, 238, 260]] = np.nan
    assert signal_step(np.arange(340) * HOUR, means) is None
    means[240:] -= 8
    assert signal_step(np.arange(340) * HOUR, means) == 240


def test_of_a_step_and_its_way_back_the_way_back_is_told() -> None:
    means = hourly(np.random.default_rng(4), 340)
    means[200:240] -= 19
    assert signal_step(np.arange(240) * HOUR, means[:240]) == 200
    assert signal_step(np.arange(340) * HOUR, means) == 240


def test_a_steady_signal_makes_no_step() -> None:
    for seed in range(40):
        means = hourly(np.random.default_rng(seed), 336)
        assert signal_step(np.arange(336) * HOUR, means) is None


def test_a_level_of_long_ago_is_none_to_step_from() -> None:
    means = hourly(np.random.default_rng(5), 60)
    means[48:] -= 19
    begins = np.arange(60) * HOUR
    assert signal_step(begins, means) == 48
    seldom = np.where(np.arange(60) < 48, begins * 6, begins + 240 * HOUR)  # every sixth hour
    assert signal_step(seldom, means) is None


@pytest.mark.parametrize("means", [[], [np.nan] * 50, [-80.0] * 20 + [-99.0] * 4])
def test_less_than_a_day_before_makes_no_step(means: list[float]) -> None:
    assert signal_step(np.arange(len(means)) * HOUR, np.array(means, float)) is None


def test_the_step_lies_between_two_readings() -> None:
    # readings each minute from 12:00; the antenna turns between 14:20 and 14:21
    rng = np.random.default_rng(14)
    at_ms = (12 * 60 + np.arange(240)) * MINUTE
    dbm = np.round(np.where(at_ms <= (14 * 60 + 20) * MINUTE, -79.0, -98.0))
    dbm = dbm + rng.integers(-2, 3, 240)
    dbm[[20, 90, 135, 145, 200]] += [-20, 15, -18, 17, 20]
    found = step_between(at_ms, dbm)
    assert found is not None
    assert (found.from_ms, found.to_ms) == ((14 * 60 + 20) * MINUTE, (14 * 60 + 21) * MINUTE)
    # readings are whole dB, so a median may be the next one
    assert (found.before_dbm, found.after_dbm) == pytest.approx((-79, -98), abs=1)


def test_a_step_in_a_gap_lies_between_its_ends() -> None:
    at_ms = np.arange(100) * MINUTE
    dbm = np.where(np.arange(100) < 50, -80.0, -95.0)
    dbm[45:58] = np.nan
    found = step_between(at_ms, dbm)
    assert found is not None
    assert (found.from_ms, found.to_ms) == (44 * MINUTE, 58 * MINUTE)
    assert step_between(np.delete(at_ms, range(45, 58)), np.delete(dbm, range(45, 58))) == found


def test_less_than_six_db_or_three_readings_are_no_step() -> None:
    at_ms = np.arange(60) * MINUTE
    assert step_between(at_ms, np.where(at_ms < 30 * MINUTE, -80.0, -85.0)) is None
    assert step_between(at_ms, np.where(at_ms < 58 * MINUTE, -80.0, -99.0)) is None
    assert step_between(at_ms[:5], np.full(5, -80.0)) is None

"""Robust trends against scipy, published figures and a battery bank's own record."""

import csv
from collections import defaultdict
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import theilslopes
from statsmodels.datasets import nile
from tests.domain.health.supply.conftest import nights_of

from tallymast.domain.health.supply.trend import (
    mann_kendall_z,
    steps_of,
    theil_sen,
    trend_of,
)

LEAP = [12.80, 12.78, 12.77, 12.75, 11.20, 12.71, 12.70, 12.68, 12.66]
LAST_OFF = [12.80 - 0.02 * n for n in range(9)] + [11.20]


@pytest.mark.parametrize(
    ("values", "slope", "interval", "score"),
    [
        # scipy 1.17 theilslopes and pymannkendall 1.4.3 original_test.
        ([10, 9, 7, 8, 2], -1.75, None, -1.714643),
        (LAST_OFF, -0.02, (-0.02, -0.02), -3.93548),
        ([5, 5, 6, 6, 7, 8, 8, 9, 10, 10], 0.625, None, 3.636364),
        (LEAP, -0.0175, (-0.02, -0.015), -2.814945),
    ],
)
def test_slopes_intervals_and_scores_are_the_published_ones(
    values: list[float], slope: float, interval: tuple[float, float] | None, score: float
) -> None:
    y = np.array(values, dtype=np.float64)
    found, low, high = theil_sen(np.arange(len(y), dtype=np.float64), y)
    assert found == pytest.approx(slope, abs=1e-9)
    assert mann_kendall_z(y) == pytest.approx(score, abs=1e-5)
    if interval is not None:
        assert (low, high) == pytest.approx(interval, abs=1e-9)


def test_the_nile_falls_as_two_libraries_say() -> None:
    # statsmodels.datasets.nile; scipy -2.6 (-3.6279, -1.4286), pymannkendall z -4.128067.
    volume = nile.load_pandas().data["volume"].to_numpy(dtype=np.float64)
    found = theil_sen(np.arange(100.0), volume)
    assert found == pytest.approx((-2.6, -3.6279, -1.4286), abs=1e-4)
    assert mann_kendall_z(volume) == pytest.approx(-4.128067, abs=1e-6)


@given(
    st.lists(st.integers(110, 130), min_size=3, max_size=25),
    st.lists(st.integers(1, 3), min_size=25, max_size=25),
)
def test_a_second_library_finds_the_same_slope_and_interval(
    tenths: list[int], gaps: list[int]
) -> None:
    y = np.array(tenths, dtype=np.float64) / 10
    x = np.cumsum(gaps[: len(y)]).astype(np.float64)
    reference = theilslopes(y, x)
    expected = (reference.slope, reference.low_slope, reference.high_slope)
    assert theil_sen(x, y) == pytest.approx(expected, abs=1e-12)


def test_one_place_has_no_slope() -> None:
    with pytest.raises(ValueError, match="two different places"):
        theil_sen(np.array([1.0, 1.0]), np.array([1.0, 2.0]))


def test_a_lithium_bank_s_own_record_has_the_trend_that_was_published_of_it(
    reference: Path,
) -> None:
    # wkcollis1-eng/Lifepo4-Battery-Banks, data/combined_output.csv (CC BY 4.0,
    # DOI 10.5281/zenodo.18232628); scipy theilslopes of the daily medians, mV a day.
    record = reference / "lfp" / "combined_output.csv"
    if not record.is_file():
        pytest.skip("the record of the lithium bank is not here (lfp/combined_output.csv)")
    days: dict[date, list[float]] = defaultdict(list)
    with record.open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            day = datetime.strptime(row["Date"], "%d/%m/%Y").date()
            days[day].append((float(row["Min"]) + float(row["Max"])) / 2)
    expected = {
        date(2025, 10, 29): (-0.9091, -1.0714, -0.8000, -9.9218),
        date(2025, 11, 15): (-0.7692, -0.8784, -0.6818, -8.4604),
        date(2025, 12, 15): (-1.0000, -1.2500, -0.6522, -4.7189),
    }
    for first, (slope, low, high, score) in expected.items():
        chosen = sorted(day for day in days if day >= first)
        medians = np.array([float(np.median(days[day])) for day in chosen])
        places = np.array([float(day.toordinal()) for day in chosen])
        found = [1000 * one for one in theil_sen(places, medians)]
        assert found == pytest.approx((slope, low, high), abs=2e-4)
        assert mann_kendall_z(medians) == pytest.approx(score, abs=1e-4)


def test_coarse_steps_widen_the_interval() -> None:
    # By hand: one step of 0.1 V over ten days is 0.01 V a day on either side.
    volts = [12.5, 12.5, 12.5, 12.5, 12.5, 12.5, 12.4, 12.4, 12.4, 12.4, 12.4]
    fine, coarse = trend_of(range(11), volts), trend_of(range(11), volts, 0.1)
    assert coarse.high_v - fine.high_v == pytest.approx(0.01)
    assert fine.low_v - coarse.low_v == pytest.approx(0.01)
    assert coarse.per_day_v == fine.per_day_v
    assert not coarse.falls


def test_a_meter_s_steps_show_in_its_own_readings() -> None:
    tenths = nights_of([12.5, 12.45, 12.6], [14.4, 14.2, 14.7], sag=[0.2, 0.15, 0.2])
    assert steps_of(tenths) == pytest.approx(0.1)
    fine = nights_of([12.53, 12.51, 12.48], [14.41, 14.37, 14.40])
    assert steps_of(fine) == pytest.approx(0.01)
    assert steps_of(nights_of([12.5, 12.5], 12.5, sag=0.0)) == 0.0

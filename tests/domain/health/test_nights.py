"""A battery's nights, and sunrise against a second solar library."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from pvlib.solarposition import sun_rise_set_transit_spa

from tallymast.domain.health.nights import day_number, day_of, night_of, sunrise_ms

DENVER = ZoneInfo("America/Denver")
HOUR_MS = 3_600_000
DAY = date(2026, 3, 8)


@pytest.mark.parametrize(
    ("latitude", "longitude", "zone"),
    [(44.1, -106.3, "America/Denver"), (-33.9, 18.4, "Africa/Johannesburg"), (60.2, 24.9, "UTC")],
)
def test_the_sun_rises_when_a_second_library_says(
    latitude: float, longitude: float, zone: str
) -> None:
    # pvlib 0.16, sun_rise_set_transit_spa (NREL's algorithm). Both count the upper limb with
    # refraction; they differ in how, by less than two minutes at these latitudes.
    there = ZoneInfo(zone)
    for month in (1, 3, 6, 9, 12):
        day = date(2026, month, 21)
        noon = pd.DatetimeIndex([datetime(2026, month, 21, 12, tzinfo=there)])
        reference = sun_rise_set_transit_spa(noon, latitude, longitude)["sunrise"].iloc[0]
        found = sunrise_ms(day, latitude, longitude, there)
        assert found / 1000 == pytest.approx(reference.timestamp(), abs=120)


def test_where_the_sun_does_not_rise_six_o_clock_stands_for_it() -> None:
    at_ms = sunrise_ms(date(2026, 12, 21), 78.2, 15.6, UTC)
    assert datetime.fromtimestamp(at_ms / 1000, UTC) == datetime(2026, 12, 21, 6, tzinfo=UTC)


def test_the_voltage_before_dawn_is_a_median_and_the_sag_stands_apart() -> None:
    # By hand: 120 minutes before sunrise at 12.40 V, one transmit sag to 11.20 V among them,
    # a charge peak of 14.4 V the noon before.
    sunrise = 1_772_975_000_000
    at_ms = sunrise - HOUR_MS * 2 + 60_000 * np.arange(120)
    volts = np.full(120, 12.40)
    volts[37] = 11.20
    noon = np.array([sunrise - 18 * HOUR_MS])
    night = night_of(DAY, sunrise, np.concatenate((noon, at_ms)), np.concatenate(([14.4], volts)))
    assert night.predawn_v == 12.40
    assert (night.low_v, night.low_ms) == (11.20, int(at_ms[37]))
    assert (night.peak_v, night.peak_ms) == (14.4, int(noon[0]))
    assert night.n == 120


def test_gaps_are_no_readings_and_a_night_without_any_knows_nothing() -> None:
    sunrise = 1_772_975_000_000
    at_ms = np.array([sunrise - HOUR_MS, sunrise - 1, sunrise, sunrise + 1])
    night = night_of(DAY, sunrise, at_ms, np.array([np.nan, 12.1, 13.0, 13.0]))
    assert (night.predawn_v, night.n) == (12.1, 1)
    nothing = night_of(DAY, sunrise, at_ms, np.full(4, np.nan))
    assert (nothing.predawn_v, nothing.low_v, nothing.peak_v, nothing.n) == (None, None, None, 0)


def test_days_are_counted_from_1970() -> None:
    assert day_number(date(1970, 1, 2)) == 1
    assert day_of(day_number(DAY)) == DAY

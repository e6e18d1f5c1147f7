"""Forecasts in charge: against a worked example, and in the ways they must not err."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallymast.domain.health.supply.chemistry import FLOODED_TABLES, volts_at
from tallymast.domain.health.supply.forecast import Battery, Decline, forecast
from tallymast.domain.model import Chemistry

AGM33 = Battery(Chemistry.AGM, 1.0, 11.5, 0.075, 33.0, temperature_c=25.0, around_c=5.0)


def curve_v(charge: float, sealed: float = 0.15) -> float:
    """The widely reprinted table of eleven points, a sealed battery 0.15 V higher."""
    return volts_at(FLOODED_TABLES[0], charge) + sealed


def decline(count: int, per_day: float, full: float = 1.0, **more: object) -> Decline:
    volts = [curve_v(full - per_day * n) for n in range(count)]
    made = Decline(0, tuple(range(count)), volts, was_full=True, charges=False)
    return replace(made, **more)  # type: ignore[arg-type]


def straight_line_days(volts: list[float], end_v: float) -> float:
    per_day = (volts[-1] - volts[0]) / (len(volts) - 1)
    return (end_v - volts[-1]) / per_day


def test_a_straight_line_through_volts_errs_to_the_dangerous_side_and_the_forecast_does_not() -> (
    None
):
    # The trade's worked example, plain arithmetic: 33 Ah AGM, no charge, 1.8 Ah a day, 12.73 to
    # 12.18 V in nine days. A line says 11.5 V in 11 more days and 11.0 V in 19; the discharge
    # curve gets there in about 7 and 8.
    nights = decline(10, 1.8 / 33.0, full=0.98)
    assert (nights.volts[0], nights.volts[-1]) == pytest.approx((12.73, 12.18), abs=0.015)
    assert straight_line_days(list(nights.volts), 11.5) == pytest.approx(11, abs=1)
    assert straight_line_days(list(nights.volts), 11.0) == pytest.approx(19, abs=1.5)
    first, second = forecast(AGM33, nights), forecast(replace(AGM33, disconnect_v=11.0), nights)
    assert first is not None
    assert second is not None
    assert first.median_days == pytest.approx(7.0, abs=1.5)
    assert first.low_days < 7.0 < (first.high_days or 0.0) < 10.5
    assert second.median_days == pytest.approx(8.0, abs=1.5)
    assert (second.high_days or 0.0) < 11.5


def test_the_same_nights_are_forecast_alike_however_often_it_is_asked() -> None:
    nights = decline(8, 0.05)
    assert forecast(AGM33, nights) == forecast(AGM33, nights)


def test_24_volts_are_two_of_12() -> None:
    single, double = decline(9, 0.06), decline(9, 0.06)
    double = replace(double, volts=[2 * volt for volt in double.volts], resolution_v=0.02)
    pack = replace(AGM33, packs=2.0, disconnect_v=23.0)
    one, two = forecast(AGM33, single), forecast(pack, double)
    assert one is not None
    assert two is not None
    assert two.median_days == pytest.approx(one.median_days)
    assert two.disconnect_v == 23.0


def test_few_nights_are_said_to_be_few_and_spread_wider() -> None:
    few, many = forecast(AGM33, decline(3, 0.05)), forecast(AGM33, decline(10, 0.05))
    assert few is not None
    assert many is not None
    assert (few.wide, many.wide) == (True, False)
    assert few.nights == 3
    spread = [(one.high_days or 99.0) - one.low_days for one in (few, many)]
    assert spread[0] > 1.3 * spread[1]


def test_nights_may_be_missing() -> None:
    whole = decline(10, 0.05)
    kept = [0, 1, 4, 5, 8, 9]
    some = replace(whole, days=kept, volts=[whole.volts[n] for n in kept])
    one, other = forecast(AGM33, whole), forecast(AGM33, some)
    assert one is not None
    assert other is not None
    # 5 % a day; half a day is what the missing nights may cost.
    assert other.median_days == pytest.approx(one.median_days, abs=0.7)


def test_a_meter_that_reads_high_means_an_earlier_end() -> None:
    nights = decline(9, 0.05, full=0.9)
    high = forecast(replace(AGM33, offset_v=0.1), nights)
    low = forecast(replace(AGM33, offset_v=-0.1), nights)
    assert high is not None
    assert low is not None
    assert high.median_days < low.median_days


def test_what_may_not_come_down_at_all_has_no_end() -> None:
    # Charged nearly as much as it uses: a hundredth of its charge in ten days.
    slow = decline(10, 0.001, full=0.9, charges=True)
    made = forecast(AGM33, slow)
    assert made is None or made.high_days is None or made.high_days > 60.0


@pytest.mark.parametrize("chemistry", [Chemistry.LIFEPO4, Chemistry.LITHIUM_PRIMARY])
def test_lithium_is_not_forecast_from_its_voltage(chemistry: Chemistry) -> None:
    assert forecast(replace(AGM33, chemistry=chemistry), decline(9, 0.05)) is None


def test_one_night_is_no_decline() -> None:
    assert forecast(AGM33, decline(1, 0.05)) is None


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from([Chemistry.FLOODED, Chemistry.AGM, Chemistry.GEL]),
    st.lists(st.floats(11.0, 13.2), min_size=2, max_size=40),
    st.booleans(),
    st.booleans(),
    st.sampled_from([0.01, 0.1]),
)
def test_whatever_the_nights_show_a_range_is_in_order_and_never_negative(
    chemistry: Chemistry, volts: list[float], was_full: bool, charges: bool, step: float
) -> None:
    nights = Decline(0, tuple(range(len(volts))), volts, was_full, charges, step)
    made = forecast(replace(AGM33, chemistry=chemistry), nights)
    if made is not None:
        assert 0.0 <= made.low_days <= made.median_days
        assert made.high_days is None or made.median_days <= made.high_days
        assert np.isfinite(made.median_days)

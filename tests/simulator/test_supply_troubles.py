"""Supplies in trouble: wear, frost, a wrong controller, mains lost, a stuck or broken sensor."""

from dataclasses import replace

import numpy as np
import pytest
from tests.simulator.conftest import TANK, site

from tallymast.domain.model import Chemistry, Network, Supply, SupplyKind
from tallymast.simulator.charge import lifted, slow_share
from tallymast.simulator.faults import Fault, FaultKind, Faults
from tallymast.simulator.site_model import SiteModel
from tallymast.simulator.supply import SitePower
from tallymast.simulator.weather import Weather

T0_S = 1_790_000_000.0  # September 2026
DAY_S = 86_400.0
WEEK = T0_S + 600.0 * np.arange(7 * 144)


def power(supply: Supply, *faults: Fault) -> SitePower:
    one = replace(site("tank", 3, TANK), supply=supply)
    return SitePower(one, Weather(1, 44.1, -106.3), 1, Faults(faults))


def solar(chemistry: Chemistry = Chemistry.AGM, capacity_ah: float = 33.0) -> Supply:
    return Supply(
        SupplyKind.SOLAR,
        chemistry,
        12.0,
        capacity_ah,
        disconnect_v=11.5,
        reconnect_v=12.8,
        panel_w=20.0,
    )


MAINS = Supply(SupplyKind.MAINS_WITH_BATTERY, Chemistry.AGM, 12.0, 26.0, disconnect_v=11.5)


def fault(kind: FaultKind, **more: object) -> Fault:
    return Fault(kind, "tank", None, from_ms=round(T0_S * 1000), **more)  # type: ignore[arg-type]


def test_a_charging_current_lifts_the_terminals_without_steps() -> None:
    shares = lifted(np.linspace(0, 10, 200), np.full(200, 33.0), np.full(200, 0.9))
    assert shares[0] == 0.0
    assert shares[-1] == 1.0
    assert np.all(np.diff(shares) >= 0)
    assert np.diff(shares).max() < 0.1


def test_a_day_goes_through_absorption_and_float(network: Network) -> None:
    volts = power(solar()).voltage(WEEK)
    # Published for AGM at 25 °C: absorption 14.2 to 14.7 V, float 13.6 V; −24 mV/K for six
    # cells; September boxes are about 15 °C: a quarter of a volt more.
    assert 14.2 < volts.max() < 15.0
    floats = volts[(volts > 13.5) & (volts < 14.0)]
    assert len(floats) > 50
    assert np.median(volts[volts < 13.0]) == pytest.approx(12.7, abs=0.15)


def test_without_charge_a_site_declines_by_its_load() -> None:
    cut = power(solar(), fault(FaultKind.NO_CHARGE))
    at_s = T0_S + DAY_S * np.arange(1, 9) + 10 * 3600
    volts = cut.voltage(at_s)
    assert np.all(np.diff(volts) < 0.02)
    # The worked example of the trade: 33 Ah, 1.8 Ah a day: 12.73 to 12.18 V in 9 days.
    assert volts[0] - volts[-1] == pytest.approx(0.5, abs=0.2)
    assert not cut.is_charging(at_s).any()


def test_a_worn_battery_empties_in_a_night_at_the_hour_that_was_asked_for() -> None:
    worn = Fault(
        FaultKind.WORN_BATTERY,
        "tank",
        None,
        from_ms=round((T0_S - 20 * DAY_S) * 1000),
        to_ms=round(T0_S * 1000),
        capacity_ah=(33.0, 1.0),
        dark_at_s=10 * 3600,  # 03:00 at seven hours west of Greenwich; the faults' clock is UTC
    )
    spans = power(solar(), worn).dark_spans(T0_S + 4 * DAY_S)
    assert len(spans) >= 3
    for begin, _ in spans[-3:]:
        assert abs((begin / 3600) % 24 - 10) < 1.25


def test_a_sound_battery_is_never_dark() -> None:
    assert power(solar()).dark_spans(T0_S + 30 * DAY_S) == []


def test_mains_float_until_they_are_lost() -> None:
    lost = fault(FaultKind.NO_CHARGE)
    volts = power(MAINS, lost).voltage(np.array([T0_S - 3600, T0_S + 3600, T0_S + 5 * DAY_S]))
    assert volts[0] == pytest.approx(13.8, abs=0.3)
    # Common practice, no published source: below 13.0 V for 15 min is charger or mains lost.
    assert volts[1] < 13.2
    assert volts[2] < volts[1]


def test_mains_only_goes_dark_with_the_mains() -> None:
    only = power(Supply(SupplyKind.MAINS, None, 12.0), fault(FaultKind.NO_CHARGE))
    assert only.is_on(np.array([T0_S - 10, T0_S + 10])).tolist() == [True, False]


def test_a_wrong_controller_holds_the_battery_too_high() -> None:
    volts = power(solar(), fault(FaultKind.OVERCHARGE, volts=15.6)).voltage(WEEK)
    assert volts.max() == pytest.approx(15.6, abs=0.1)
    assert power(solar()).voltage(WEEK).max() < 15.0


def test_cold_leaves_a_slow_load_more_than_a_quick_one() -> None:
    share = slow_share(Chemistry.AGM, np.array([26.67, -6.67]))
    # The published divisor at 20 °F is 1.59 for a discharge within a day: 63 %.
    assert share[0] == pytest.approx(1.0)
    assert 0.63 < share[1] < 1.0


def test_a_stuck_point_shows_what_it_showed(network: Network) -> None:
    stuck = fault(FaultKind.STUCK, tag="VDC")
    tank = network.sites[1]
    model = SiteModel(network, tank, 1, Faults([replace(stuck, site="tank")]))
    point = next(one for one in tank.points if one.tag == "VDC")
    assert len(set(model.values(point, WEEK[6:]).tolist())) == 1
    free = SiteModel(network, tank, 1).values(point, WEEK)
    assert len(set(free.tolist())) > 100
    assert model.values(point, WEEK[:1] - 3600) == pytest.approx(
        SiteModel(network, tank, 1).values(point, WEEK[:1] - 3600)
    )


def test_a_loop_shows_the_current_that_flows(network: Network) -> None:
    broken = fault(FaultKind.LOOP, tag="LVL", milliamps=3.58)
    tank = network.sites[1]
    model = SiteModel(network, tank, 1, Faults([broken]))
    point = next(one for one in tank.points if one.tag == "LVL")
    # By hand: 4 to 20 mA are 0 to 5 m, so 3.58 mA are (3.58 − 4) / 16 · 5 = −0.13125 m.
    assert model.values(point, WEEK[:1]) == pytest.approx([-0.13125])

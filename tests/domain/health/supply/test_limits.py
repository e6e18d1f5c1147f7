"""Limits by chemistry, pack and temperature."""

import pytest
from tests.domain.health.supply.conftest import AGM, FIRST, site

from tallymast.domain.health.supply.limits import (
    absorption_from_v,
    band_c,
    limits_of,
    overcharge_from_v,
    packs_of,
    season_c,
)
from tallymast.domain.health.supply.load import usual_load_a
from tallymast.domain.model import Chemistry, SiteClass, Supply, SupplyKind

JULY, JANUARY = 20_640, 20_473  # 2026-07-06, 2026-01-20
FLOODED = Supply(SupplyKind.SOLAR, Chemistry.FLOODED)


@pytest.mark.parametrize(
    ("chemistry", "expected"),
    [
        # Defaults of the trade at 25 °C, 12 V; flooded absorption from a data sheet, the rest
        # common practice and from memory.
        (Chemistry.FLOODED, (12.2, 12.0, 11.5, 12.6, (14.4, 14.8), 15.2)),
        (Chemistry.AGM, (12.3, 12.1, 11.5, 12.8, (14.2, 14.7), 15.0)),
        (Chemistry.GEL, (12.3, 12.1, 11.6, 12.8, (14.0, 14.2), 14.5)),
        (Chemistry.LIFEPO4, (13.0, 12.7, 11.8, 13.0, (14.0, 14.4), 14.6)),
    ],
)
def test_a_chemistry_has_its_limits_and_24_volts_have_twice_them(
    chemistry: Chemistry, expected: tuple[object, ...]
) -> None:
    for packs in (1, 2):
        found = limits_of(Supply(SupplyKind.SOLAR, chemistry, 12.0 * packs))
        assert found is not None
        flat = (found.warn_v, found.urgent_v, found.disconnect_v, found.reconnect_v)
        assert flat == pytest.approx([packs * one for one in expected[:4]])  # type: ignore[misc]
        assert found.absorption_v == pytest.approx([packs * one for one in expected[4]])  # type: ignore[attr-defined]
        assert found.overcharge_v == pytest.approx(packs * expected[5])  # type: ignore[operator]


@pytest.mark.parametrize(
    ("written", "packs"),
    [(12.0, 1), (12.8, 1), (14.4, 1), (24.0, 2), (25.6, 2), (6.0, 0.5), (48.0, 4)],
)
def test_nominal_voltages_as_people_write_them_are_whole_packs(
    written: float, packs: float
) -> None:
    # Four lithium cells are sold as 12.8 V, eight as 25.6 V; each replaces lead-acid of 12 or 24.
    assert packs_of(Supply(SupplyKind.SOLAR, Chemistry.LIFEPO4, written)) == packs


def test_what_the_site_says_wins_and_a_primary_pack_has_none() -> None:
    own = limits_of(Supply(SupplyKind.SOLAR, Chemistry.AGM, 12.0, disconnect_v=11.2))
    assert own is not None
    assert (own.disconnect_v, own.reconnect_v) == (11.2, 12.8)
    assert limits_of(Supply(SupplyKind.PRIMARY, Chemistry.LITHIUM_PRIMARY, 14.4)) is None


def test_charge_peaks_move_with_temperature_by_both_published_rates() -> None:
    # Published -3 to -5 mV a cell and degree: 14.4 V at 25 °C is 13.8 V at 45 °C by the larger
    # and 15.2 V at -20 °C by the smaller; no peak is called absorption that would be too low.
    limits = limits_of(FLOODED)
    assert limits is not None
    assert absorption_from_v(FLOODED, limits, (45.0, 45.0)) == pytest.approx(13.8)
    assert absorption_from_v(FLOODED, limits, (-20.0, -20.0)) == pytest.approx(15.21)
    # 15.2 V and 0.030 V for each of 45 degrees: nothing below is surely wrong at -20 °C.
    assert overcharge_from_v(FLOODED, limits, (-20.0, 0.0)) == pytest.approx(16.55)
    assert overcharge_from_v(FLOODED, limits, (25.0, 25.0)) == pytest.approx(15.2)


def test_lithium_is_charged_alike_at_any_temperature() -> None:
    lithium = Supply(SupplyKind.SOLAR, Chemistry.LIFEPO4)
    limits = limits_of(lithium)
    assert limits is not None
    assert overcharge_from_v(lithium, limits, (-20.0, 45.0)) == 14.6


def test_without_a_temperature_the_band_is_the_season_s() -> None:
    measured = band_c(JULY, 44.0, {JULY: 20.0})
    assert measured == (17.0, 23.0)
    summer, winter = band_c(JULY, 44.0), band_c(JANUARY, 44.0)
    assert summer[0] > winter[0] + 15.0
    assert winter[0] < -5.0 < summer[0] < 25.0 < summer[1]
    assert band_c(JULY, None) == (-20.0, 45.0)


def test_seasons_turn_south_of_the_equator() -> None:
    assert season_c(JULY, -34.0) < season_c(JANUARY, -34.0)
    assert season_c(JULY, 44.0) > season_c(FIRST, 44.0) > season_c(JANUARY, 44.0)


def test_a_station_draws_what_the_trade_says() -> None:
    # Arithmetic on typical currents, common practice: idle 45 mA is 1.1 Ah a day, one loop about
    # 0.7, transmitting each 10 s near 0.06 of what listening takes per minute poll; together the
    # 1.8 Ah a day of the worked example.
    assert usual_load_a(site(AGM)) * 24 == pytest.approx(1.8, abs=0.05)
    assert usual_load_a(site(AGM, loop=False)) * 24 == pytest.approx(1.1, abs=0.1)
    fast = site(AGM, loop=False, poll_every_s=10.0)
    assert usual_load_a(fast) < 1.5 * usual_load_a(site(AGM, loop=False))
    asleep = site(AGM, site_class=SiteClass.DUTY_CYCLED)
    assert usual_load_a(asleep) * 24 < 0.05


def test_at_24_volts_the_radio_draws_half_and_the_loop_as_much() -> None:
    double = Supply(SupplyKind.SOLAR, Chemistry.AGM, 24.0)
    # By hand: (0.045 + 1.5 x 0.12 / 60) / 2 + 0.028 A.
    assert usual_load_a(site(double)) == pytest.approx(0.052)

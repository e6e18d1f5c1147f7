"""Sun, batteries and processes against published values, and the simulator against itself."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pvlib import solarposition

from tallymast import assets
from tallymast.domain import network_file
from tallymast.domain.errors import ConfigError
from tallymast.domain.modbus.blocks import site_layout
from tallymast.domain.model import (
    Chemistry,
    Network,
    Outcome,
    Point,
    PointKind,
    Site,
    SiteLayout,
    SupplyKind,
)
from tallymast.domain.read_plan import read_plan
from tallymast.domain.readings import readings
from tallymast.simulator.battery import CHARGING, rest_voltage
from tallymast.simulator.fault_file import read_faults
from tallymast.simulator.history import history
from tallymast.simulator.radio_network import RadioNetwork
from tallymast.simulator.scale import scaled
from tallymast.simulator.site_model import SiteModel
from tallymast.simulator.sun import sun_position

DEMO = assets.demo_data() / "ombrel-basin.toml"
T0_MS = 1_772_953_200_000  # 2026-03-08 07:00 UTC
DAY_MS = 86_400_000


@pytest.fixture(scope="module")
def demo() -> Network:
    return network_file.read(DEMO.read_text(encoding="utf-8"), DEMO.name)[1]


def named(network: Network, key: str) -> Site:
    return next(site for site in network.sites if site.key == key)


def layout_of(network: Network, site: Site) -> SiteLayout:
    gateway = next(one for one in network.gateways if one.key == site.gateway)
    ids = {point.tag: n for n, point in enumerate(site.points, 1)}
    return site_layout(1, 1, site.points, ids, read_plan(site, gateway))


def of_kind(site: Site, kind: PointKind) -> Point:
    return next(point for point in site.points if point.kind is kind)


# --- sun ------------------------------------------------------------------------------


def test_the_sun_stands_where_the_published_example_says() -> None:
    # NREL/TP-560-34302, Table A5.1: 2003-10-17 12:30:30 UTC-7, 39.742476 N, 105.1786 W:
    # azimuth 194.340241; zenith 50.127954 before refraction (pvlib 0.16.1, spa_python).
    at_s = np.array([pd.Timestamp("2003-10-17T12:30:30-07:00").timestamp()])
    sun = sun_position(at_s, 39.742476, -105.1786)
    assert np.degrees(sun.azimuth[0]) == pytest.approx(194.340241, abs=0.02)
    assert 90 - np.degrees(sun.elevation[0]) == pytest.approx(50.127954, abs=0.02)


def test_the_sun_agrees_with_a_reference_library_through_a_year() -> None:
    times = pd.date_range("2026-01-01", "2026-12-31", freq="37h", tz="UTC")
    found = sun_position(times.asi8 / 1e9 if times.unit == "ns" else _seconds(times), 44.1, -106.3)
    reference = solarposition.spa_python(times, 44.1, -106.3)
    elevation = np.degrees(found.elevation)
    assert np.abs(elevation - reference["elevation"].to_numpy()).max() < 0.02


def _seconds(times: pd.DatetimeIndex) -> np.ndarray:
    return np.array([time.timestamp() for time in times])


# --- batteries ------------------------------------------------------------------------


def test_a_flooded_battery_rests_between_the_published_tables() -> None:
    # Five public tables of rest voltage against charge spread widely: at 12.2 V they say 33 to
    # 60 %, at 12.5 V 80 to 90 % (secondary restatements, among them the encyclopaedia article
    # on car batteries: 12.65 12.45 12.24 12.06 11.89 V at 100 75 50 25 0 %).
    charge = np.linspace(0, 1, 1001)
    volts = rest_voltage(Chemistry.FLOODED, charge)
    assert np.all(np.diff(volts) > 0)
    assert 0.33 <= np.interp(12.2, volts, charge) <= 0.61
    assert 0.80 <= np.interp(12.5, volts, charge) <= 0.91


def test_lithium_iron_phosphate_is_flat() -> None:
    # Zephyr RTOS battery.h, open circuit of one cell x 4: 12.636 V at 20 %, 13.048 V at 90 %.
    volts = rest_voltage(Chemistry.LIFEPO4, np.array([0.2, 0.9]))
    assert volts == pytest.approx([12.636, 13.048], abs=1e-6)


def test_float_voltages_are_the_published_ones() -> None:
    # Encyclopaedia article on float voltage: AGM 13.6, flooded 13.4 V at 25 °C.
    assert CHARGING[Chemistry.AGM].float_v == 13.6
    assert CHARGING[Chemistry.FLOODED].float_v == 13.4


def test_a_solar_site_charges_by_day_and_falls_by_night(demo: Network) -> None:
    site = named(demo, "upper-weir")
    model = SiteModel(demo, site, 1)
    minutes = T0_MS / 1000 + 60.0 * np.arange(7 * 1440)
    volts = model.power.voltage(minutes)
    hour = (minutes / 3600 - 7.1) % 24  # local solar time at 106 W
    noon, night = volts[(hour > 12) & (hour < 15)], volts[(hour > 2) & (hour < 5)]
    assert np.median(noon) > np.median(night) + 0.4
    assert volts.min() > 11.5
    assert volts.max() < 15.0


def test_mains_float_all_year(demo: Network) -> None:
    model = SiteModel(demo, named(demo, "quill-tank"), 1)
    volts = model.power.voltage(T0_MS / 1000 + 86_400.0 * np.arange(365))
    assert volts == pytest.approx(np.full(365, 13.6), abs=0.15)


# --- the same at the same instant, whoever asks, whenever --------------------------------


def test_values_depend_on_the_instant_alone(demo: Network) -> None:
    at_s = T0_MS / 1000 + np.array([0.0, 61.0, 86_400.0 * 40])
    for site in demo.sites:
        fresh, used = SiteModel(demo, site, 3), SiteModel(demo, site, 3)
        for point in site.points:
            used.values(point, at_s - 5_000_000.0)  # asked for another time before
            together = fresh.values(point, at_s)
            alone = np.array([used.values(point, at_s[n : n + 1])[0] for n in (2, 0, 1)])
            assert together[[2, 0, 1]] == pytest.approx(alone, abs=1e-9), (site.key, point.tag)


def test_another_seed_is_another_network(demo: Network) -> None:
    site = named(demo, "upper-weir")
    point = site.points[5]
    at_s = T0_MS / 1000 + 3600.0 * np.arange(48)
    one, other = (SiteModel(demo, site, seed).values(point, at_s) for seed in (1, 2))
    assert np.abs(one - other).max() > 0.05


def test_a_total_and_its_rate_agree(demo: Network) -> None:
    site = named(demo, "kestrel-pad")
    total, rate = of_kind(site, PointKind.TOTALIZER), of_kind(site, PointKind.RATE)
    model = SiteModel(demo, site, 1)
    at_s = T0_MS / 1000 + 60.0 * np.arange(1441)
    counted = model.values(total, at_s)
    volume = (counted[-1] - counted[0]) * (total.volume_per_pulse or 1 / (total.k_factor or 1))
    hours = 24.0
    assert rate.unit == "m³/h"
    assert np.mean(model.values(rate, at_s)[1:]) * hours == pytest.approx(volume, rel=0.01)


def test_totals_only_climb_within_their_modulus(demo: Network) -> None:
    for key in ("hobby-pad", "gannet-turnout", "sorrel-well"):
        site = named(demo, key)
        point = of_kind(site, PointKind.TOTALIZER)
        counts = SiteModel(demo, site, 1).values(point, T0_MS / 1000 + 60.0 * np.arange(2880))
        assert point.modulus is not None
        steps = np.diff(counts) % point.modulus
        assert steps.max() < 60 * (point.max_rate or 50)
        assert steps.sum() > 0


def test_healthy_values_stay_inside_their_limits(demo: Network) -> None:
    at_s = T0_MS / 1000 + 300.0 * np.arange(7 * 288)
    for site in demo.sites:
        model = SiteModel(demo, site, 1)
        for point in site.points:
            if point.kind is not PointKind.ANALOG_INPUT:
                continue
            values, limits = model.values(point, at_s), point.limits
            assert limits.high is None or values.max() < limits.high, (site.key, point.tag)
            assert limits.low is None or values.min() > limits.low, (site.key, point.tag)


# --- history and live are one ----------------------------------------------------------------


def test_history_holds_what_the_station_would_have_answered(demo: Network) -> None:
    for key in ("quill-tank", "gannet-turnout", "hob-gate", "dunlin-booster", "cress-spring"):
        site = named(demo, key)
        layout = layout_of(demo, site)
        polls = list(history(demo, site, layout, T0_MS, T0_MS + 2 * 3_600_000, 5))
        assert [poll.at_ms for poll in polls] == sorted({poll.at_ms for poll in polls})
        whole = next(poll for poll in polls if poll.got == (1 << len(layout.blocks)) - 1)
        parts, place = [], 0
        for block in layout.blocks:
            parts.append(whole.words[place : place + 2 * block.words])
            place += 2 * block.words
        times = [whole.at_ms] * len(parts)
        shown = {one.tag: one for one in readings(layout, parts, times, 0, whole.at_ms, 10**9)}
        model = SiteModel(demo, site, 5)
        at_s = np.array([np.floor(whole.at_ms / 1000)])
        for point in site.points:
            if point.kind in (PointKind.ANALOG_INPUT, PointKind.SUPPLY_VOLTAGE, PointKind.RATE):
                true = model.values(point, at_s)[0]
                step = 0.0
                if point.raw and point.value:
                    step = abs((point.value[1] - point.value[0]) / (point.raw[1] - point.raw[0]))
                value = shown[point.tag].value
                assert value == pytest.approx(true, abs=max(0.51 * step, 1e-4 * abs(true), 1e-6))


def test_history_is_the_same_in_one_piece_or_two(demo: Network) -> None:
    site = named(demo, "tern-flat")
    layout = layout_of(demo, site)
    middle = T0_MS + 5_432_100
    whole = list(history(demo, site, layout, T0_MS, T0_MS + DAY_MS // 4, 5))
    parts = [
        *history(demo, site, layout, T0_MS, middle, 5),
        *history(demo, site, layout, middle, T0_MS + DAY_MS // 4, 5),
    ]
    assert parts == whole
    assert len(whole) == 360


def test_a_dead_site_and_a_lost_gateway_are_told_apart_in_history(demo: Network) -> None:
    text = (
        '[[fault]]\nkind = "dead"\nsite = "tern-flat"\nfrom = "+1h"\nto = "+2h"\n'
        '[[fault]]\nkind = "gateway-down"\ngateway = "marrowdun"\nfrom = "+3h"\nto = "+4h"\n'
    )
    faults = read_faults(text, "faults.toml", demo, T0_MS)
    site = named(demo, "tern-flat")
    polls = history(
        demo, site, layout_of(demo, site), T0_MS, T0_MS + 5 * 3_600_000, 1, faults=faults
    )
    by_hour: dict[int, set[Outcome]] = {}
    for poll in polls:
        by_hour.setdefault((poll.at_ms - T0_MS) // 3_600_000, set()).add(poll.outcome)
    assert by_hour[0] == by_hour[2] == by_hour[4] == {Outcome.FIRST_TRY}
    assert by_hour[1] == {Outcome.NO_ANSWER}
    assert by_hour[3] == {Outcome.GATEWAY_LOST}


# --- faults, scale ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "part"),
    [
        ('kind = "ded"', "dead"),
        ('kind = "dead"\nsite = "tern-flt"', "tern-flat"),
        ('kind = "dead"\nsite = "tern-flat"\nrate = 1.5', "rate"),
        ('kind = "dead"\nsite = "tern-flat"\nfrom = "soon"', "from"),
        ('kind = "dead"', "site"),
        ('kind = "dead"\nsite = "tern-flat"\nextent = 3', "extent"),
    ],
)
def test_a_wrong_fault_is_told_in_a_sentence(demo: Network, line: str, part: str) -> None:
    with pytest.raises(ConfigError) as caught:
        read_faults(f"[[fault]]\n{line}\n", "faults.toml", demo, T0_MS)
    assert all(mistake.startswith("faults.toml: ") for mistake in caught.value.mistakes)
    assert part in str(caught.value)


def test_a_scaled_network_has_its_own_units_and_repeaters(demo: Network) -> None:
    large = scaled(demo, 3)
    assert len(large.sites) == 72
    for gateway in large.gateways:
        units = [site.unit for site in large.sites if site.gateway == gateway.key]
        assert len(units) == len(set(units)) == 36
        assert all(1 <= unit <= 247 for unit in units)
    far = named(large, "far-lateral-2")
    assert far.via == "saddle-repeater-2"
    with pytest.raises(ConfigError, match="247"):
        scaled(demo, 21)


def test_stopping_closes_every_port(demo: Network, tmp_path: Path) -> None:
    import socket

    network = RadioNetwork(demo, 1)
    addresses = network.start()
    network.stop()
    for address in addresses.values():
        with pytest.raises(OSError):
            socket.create_connection(address, timeout=1).close()


def test_no_supply_kind_is_forgotten(demo: Network) -> None:
    kinds = {site.supply.kind for site in demo.sites if site.supply}
    assert {SupplyKind.SOLAR, SupplyKind.MAINS_WITH_BATTERY, SupplyKind.PRIMARY} <= kinds

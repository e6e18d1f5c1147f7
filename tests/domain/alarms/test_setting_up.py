"""Which alarms a network has, and what is usual where nobody wrote it."""

from dataclasses import replace
from pathlib import Path

import pytest
from tests.domain.alarms.around import DOOR, LEVEL, VOLTS, site, supply

from tallymast.domain.alarms.delay_defaults import (
    FLOW,
    OTHER,
    PRESSURE,
    TEMPERATURE,
    deadband_of,
    usual_of,
)
from tallymast.domain.alarms.delay_defaults import (
    LEVEL as LEVEL_USUAL,
)
from tallymast.domain.alarms.model import Alarm, Kind
from tallymast.domain.alarms.setting_up import alarms_of, too_many_urgent
from tallymast.domain.model import (
    Chemistry,
    Gateway,
    Limits,
    Network,
    PointKind,
    Priority,
    Site,
    SiteClass,
    SupplyKind,
    Transport,
)
from tallymast.domain.network_file import read


def network(*sites: Site) -> Network:
    mast = Gateway("scarp", "Long Scarp mast", Transport.RTU_OVER_TCP, "127.0.0.1:4001")
    return Network("Basin", "UTC", 6, "UTC", (mast,), (), sites)


def alarms(*sites: Site) -> dict[str, Alarm]:
    return {alarm.key: alarm for alarm in alarms_of(network(*sites))}


# --- whole networks ----------------------------------------------------------------------------


def test_keys_are_made_of_names_and_stay() -> None:
    assert set(alarms(site(supply=supply()))) == {
        "//poller",
        "//storage",
        "//test",
        "/gateway/scarp",
        "upper-weir//comm-fail",
        "upper-weir//forecast",
        "upper-weir/DOOR/quality",
        "upper-weir/DOOR/state",
        "upper-weir/LVL/high",
        "upper-weir/LVL/high-high",
        "upper-weir/LVL/loop-fault",
        "upper-weir/LVL/low",
        "upper-weir/LVL/low-low",
        "upper-weir/LVL/quality",
        "upper-weir/VOLT/quality",
        "upper-weir/VOLT/supply-far-low",
        "upper-weir/VOLT/supply-low",
    }


@pytest.fixture
def basin(repository: Path) -> Network:
    path = repository / "demo_data/ombrel-basin.toml"
    return read(path.read_text(encoding="utf-8"), path.name)[1]


def test_every_alarm_of_the_basin_says_why_what_follows_and_what_to_do(basin: Network) -> None:
    made = alarms_of(basin)
    assert len({alarm.key for alarm in made}) == len(made) > 100
    for alarm in made:
        for text in (alarm.rationale, alarm.consequence, alarm.response):
            assert text.endswith(".")
            assert "{" not in text


def test_the_basin_has_few_urgent_alarms(basin: Network) -> None:
    assert too_many_urgent(basin, alarms_of(basin)) == ()


def test_a_site_of_three_urgent_kinds_is_told_so() -> None:
    urgent = site(points=(replace(LEVEL, priority=Priority.URGENT), DOOR))
    assert too_many_urgent(network(urgent), alarms_of(network(urgent))) == ()  # outer limits only
    third = site(points=(*urgent.points[:1], replace(DOOR, priority=Priority.URGENT)))
    (sentence,) = too_many_urgent(network(third), alarms_of(network(third)))
    assert sentence.startswith("Upper Weir has 3 urgent alarms.")


# --- points ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "unit", "usual"),
    [
        (PointKind.ANALOG_INPUT, "°C", TEMPERATURE),
        (PointKind.TEMPERATURE, "", TEMPERATURE),
        (PointKind.ANALOG_INPUT, "kPa", PRESSURE),
        (PointKind.ANALOG_INPUT, "psi", PRESSURE),
        (PointKind.RATE, "", FLOW),
        (PointKind.ANALOG_INPUT, "m³/h", FLOW),
        (PointKind.ANALOG_INPUT, "gpm", FLOW),
        (PointKind.ANALOG_INPUT, "m", LEVEL_USUAL),
        (PointKind.ANALOG_INPUT, "mg/L", OTHER),
    ],
)
def test_what_is_usual_goes_by_kind_and_unit(kind: PointKind, unit: str, usual: object) -> None:
    assert usual_of(replace(LEVEL, kind=kind, unit=unit)) is usual


def test_the_usual_figures_are_the_tables() -> None:
    # Starting points of ANSI/ISA-18.2-2009 and EEMUA 191 (secondary restatement): temperature 1 %
    # and 60 s, pressure 2 % and 15 s, flow 5 % and 15 s, level 60 s; off-delay 0, 5, 15, 60 s.
    # A level's 2 % instead of 5: another note there.
    rows = [(u.deadband, u.on_delay_s, u.off_delay_s) for u in (TEMPERATURE, PRESSURE, FLOW)]
    assert rows == [(0.01, 60, 0), (0.02, 15, 5), (0.05, 15, 15)]
    assert (LEVEL_USUAL.deadband, LEVEL_USUAL.on_delay_s, LEVEL_USUAL.off_delay_s) == (0.02, 60, 60)


def test_a_level_of_six_metres_has_twelve_centimetres_of_deadband() -> None:
    made = alarms(site())["upper-weir/LVL/low"]
    # 2 % of 6.0 m
    assert made.deadband == pytest.approx(0.12)
    assert (made.limit, made.on_delay_s, made.off_delay_s) == (1.5, 60.0, 60.0)


def test_what_a_person_wrote_comes_first() -> None:
    own = replace(LEVEL, deadband=0.3, on_delay_s=0.0, off_delay_s=5.0)
    made = alarms(site(points=(own,)))["upper-weir/LVL/high"]
    assert (made.deadband, made.on_delay_s, made.off_delay_s) == (0.3, 0.0, 5.0)


def test_a_deadband_we_chose_leaves_room_between_low_and_high() -> None:
    # 2 % of 100 m is 2 m, but the limits lie 1 m apart: half of that.
    near = replace(LEVEL, value=(0.0, 100.0), limits=Limits(low=5.0, high=6.0))
    assert deadband_of(near) == pytest.approx(0.5)


def test_outer_limits_have_the_points_priority_and_inner_ones_the_next_lower() -> None:
    made = alarms(site())
    priorities = {key.rsplit("/", 1)[1]: one.priority for key, one in made.items() if "LVL" in key}
    assert priorities == {
        "low-low": Priority.HIGH,
        "low": Priority.NORMAL,
        "high": Priority.NORMAL,
        "high-high": Priority.HIGH,
        "loop-fault": Priority.NORMAL,
        "quality": Priority.NORMAL,
    }
    lone = replace(LEVEL, limits=Limits(high=5.6))
    assert alarms(site(points=(lone,)))["upper-weir/LVL/high"].priority is Priority.HIGH


def test_a_contact_calls_at_two_equal_readings_where_nobody_wrote_a_delay() -> None:
    made = alarms(site())["upper-weir/DOOR/state"]
    assert (made.call_when, made.on_delay_s, made.first_up) == ("open", 0.0, "")


def test_contacts_of_one_site_tell_which_came_first() -> None:
    both = site(points=(DOOR, replace(DOOR, tag="HATCH")))
    made = alarms(both)
    assert made["upper-weir/DOOR/state"].first_up == "upper-weir/contacts"
    assert made["upper-weir/HATCH/state"].first_up == "upper-weir/contacts"


# --- sites -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("site_class", "period_s", "delay_s"),
    [  # common practice, no published source
        (SiteClass.CONTROL, 10.0, 120.0),
        (SiteClass.MONITORING, 60.0, 900.0),
        (SiteClass.DUTY_CYCLED, 900.0, 3600.0),  # 3 polls of 15 min and 15 min more
    ],
)
def test_silence_calls_by_what_a_site_is_for(
    site_class: SiteClass, period_s: float, delay_s: float
) -> None:
    made = alarms(site(site_class=site_class, poll_every_s=period_s))["upper-weir//comm-fail"]
    assert (made.on_delay_s, made.off_delay_s) == (delay_s, 0.0)


def test_a_site_that_carries_others_wants_somebody_sooner() -> None:
    made = alarms(site("far", via="saddle"), site("saddle"))
    assert made["saddle//comm-fail"].priority is Priority.HIGH
    assert made["far//comm-fail"].priority is Priority.NORMAL


@pytest.mark.parametrize(
    ("chemistry", "nominal_v", "low_v", "far_low_v"),
    [  # common practice and from memory, of 12 V; 24 V doubled
        (Chemistry.FLOODED, 12.0, 12.2, 12.0),
        (Chemistry.AGM, 12.0, 12.3, 12.1),
        (Chemistry.GEL, 24.0, 24.6, 24.2),
        (Chemistry.LIFEPO4, 12.8, 13.0, 12.7),
    ],
)
def test_a_battery_calls_by_its_chemistry(
    chemistry: Chemistry, nominal_v: float, low_v: float, far_low_v: float
) -> None:
    made = alarms(site(supply=supply(chemistry=chemistry, nominal_v=nominal_v)))
    low, far = made["upper-weir/VOLT/supply-low"], made["upper-weir/VOLT/supply-far-low"]
    assert (low.limit, far.limit) == (pytest.approx(low_v), pytest.approx(far_low_v))
    packs = 2 if nominal_v == 24.0 else 1
    assert low.deadband == pytest.approx(0.2 * packs)
    assert (low.on_delay_s, low.priority, far.priority) == (900.0, Priority.NORMAL, Priority.HIGH)


def test_lost_mains_call_below_thirteen_volts() -> None:
    mains = supply(kind=SupplyKind.MAINS_WITH_BATTERY)
    made = alarms(site(supply=mains))
    assert made["upper-weir/VOLT/mains-lost"].limit == pytest.approx(13.0)
    assert made["upper-weir/VOLT/mains-lost"].on_delay_s == 900.0
    assert "upper-weir//forecast" not in made
    assert "upper-weir/VOLT/supply-low" not in made


@pytest.mark.parametrize(
    "kind", [{"kind": SupplyKind.PRIMARY, "chemistry": Chemistry.LITHIUM_PRIMARY}, None]
)
def test_a_voltage_that_tells_nothing_calls_nobody(kind: dict[str, object] | None) -> None:
    made = alarms(site(supply=None if kind is None else supply(**kind)))
    assert not [one for one in made.values() if one.kind in (Kind.SUPPLY, Kind.FORECAST)]


def test_a_lithium_battery_is_not_forecast() -> None:
    made = alarms(site(supply=supply(chemistry=Chemistry.LIFEPO4)))
    assert not [one for one in made.values() if one.kind is Kind.FORECAST]


def test_limits_a_person_wrote_of_a_supply_come_before_ours() -> None:
    own = replace(VOLTS, limits=Limits(low=12.4))
    made = alarms(site(points=(own,), supply=supply()))
    assert "upper-weir/VOLT/low" in made
    assert "upper-weir/VOLT/supply-low" not in made
    assert "upper-weir/VOLT/supply-far-low" in made


def test_a_gateway_calls_after_a_minute() -> None:
    made = alarms(site())["/gateway/scarp"]
    assert (made.on_delay_s, made.priority, made.site) == (60.0, Priority.URGENT, "")

"""A panel cut off is named within a day; a dull week, a dim winter and little evidence are not."""

from dataclasses import replace

import pytest
from tests.domain.health.diagnosis.supply_traces import (
    ADELAIDE,
    NORTH,
    WYOMING,
    Made,
    Where,
    causes,
    named,
    neighbours,
    shown,
    text_of,
)

from tallymast.domain.health.diagnosis.model import Confidence, Shown
from tallymast.domain.model import Chemistry, Supply, SupplyKind

MIXED = (1.0, 0.7, 1.0, 0.15, 0.9, 1.0, 0.5, 1.0, 0.8, 0.1, 1.0, 0.9) * 4
PAIR = Supply(SupplyKind.SOLAR, Chemistry.GEL, 24.0, 40.0, disconnect_v=23.2)
STEPPED = replace(PAIR, chemistry=Chemistry.FLOODED, nominal_v=12.0, disconnect_v=11.5)


@pytest.mark.parametrize(
    ("where", "supply", "step_v"),
    [
        (WYOMING, Made().supply, 0.01),
        (ADELAIDE, PAIR, 0.05),
        (NORTH, STEPPED, 0.1),
    ],
)
def test_a_panel_cut_at_noon_is_named_the_next_afternoon(
    where: Where, supply: Supply, step_v: float
) -> None:
    made = Made(where=where, supply=supply, step_v=step_v, sky=MIXED, cut=(22.5, 99.0))
    made = replace(made, panel_a=4.0 if where is NORTH else 1.2)
    sites = [shown(made), *neighbours(made)]
    assert causes(sites, 22.9) == []
    (found,) = named(sites, 23.75)
    assert found.cause == "not-charged"
    assert found.confidence is not Confidence.SURE
    assert abs(found.since_ms - where.ms(22.5)) < 6 * 3_600_000
    (later,) = named(sites, 26.75)
    assert later.confidence is Confidence.SURE


def test_a_named_panel_says_what_decides_and_shows_its_volts() -> None:
    made = Made(cut=(20.5, 99.0))
    (found,) = named([shown(made), *neighbours(made)], 25.9)
    assert text_of(found.says).startswith("no charge since ")
    assert "11.5\u00a0V" in text_of(found.says)
    assert text_of(found.advice) == (
        "Panel cable, fuse or controller: panel volts at the controller decide."
    )
    assert found.chart.shown is Shown.VOLTS
    assert found.chart.levels == ((11.5, "load disconnect"),)
    assert any("hydrogen" in caution for caution in found.cautions)


def test_a_dull_week_of_all_sites_accuses_none_of_them() -> None:
    made = Made(sky=(1.0,) * 16 + (0.04,) * 8 + (1.0,) * 8, panel_a=0.8)
    sites = [shown(made), *neighbours(made)]
    assert [causes(sites, day) for day in (17.8, 19.8, 21.8, 23.8, 25.8)] == [[]] * 5


def test_without_neighbours_a_cut_panel_is_named_after_days_and_never_surely_at_first() -> None:
    made = Made(sky=MIXED, cut=(20.5, 99.0))
    alone = [shown(made)]
    assert causes(alone, 21.8) == []
    first = next(day for day in (22.8, 23.8, 24.8, 25.8) if causes(alone, day))
    assert first >= 22.8
    assert named(alone, first)[0].confidence is not Confidence.SURE
    assert causes(alone, 28.8) == ["not-charged"]


def test_neighbours_beyond_the_weather_do_not_count() -> None:
    made = Made(sky=MIXED, cut=(20.5, 99.0))
    far = [replace(one, site=replace(one.site, latitude=20.0)) for one in neighbours(made)]
    assert causes([shown(made), *far], 21.8) == []


def test_a_station_silent_since_its_battery_ran_down_is_explained_by_the_lost_charge() -> None:
    small = replace(Made().supply, capacity_ah=12.0)
    made = Made(supply=small, cut=(18.5, 99.0), days=28.0)
    found = named([shown(made), *neighbours(made)], 27.0)
    assert [one.cause for one in found if one.about != "supply"] == []
    assert found[0].cause == "not-charged"
    assert "ran down" in text_of(found[0].says)


def test_lithium_that_frost_may_keep_from_charging_is_not_accused_by_lead_beside_it() -> None:
    lithium = Supply(SupplyKind.SOLAR, Chemistry.LIFEPO4, 12.0, 30.0, disconnect_v=11.8)
    made = Made(where=Where(month=12), supply=lithium, cut=(20.5, 99.0))
    lead = [shown(replace(one.made, supply=Made().supply)) for one in neighbours(made)]
    assert "not-charged" not in causes([shown(made), *lead], 23.8)


def test_lithium_cut_off_is_named_where_lithium_beside_it_charged() -> None:
    lithium = Supply(SupplyKind.SOLAR, Chemistry.LIFEPO4, 12.0, 30.0, disconnect_v=11.8)
    made = Made(supply=lithium, cut=(20.5, 99.0))
    assert causes([shown(made), *neighbours(made)], 22.8) == ["not-charged"]


@pytest.mark.parametrize("days", [0.02, 1.2, 2.8])
def test_three_polls_one_night_or_two_say_nothing(days: float) -> None:
    made = Made(days=days, cut=(0.0, 99.0))
    assert causes([shown(made), *neighbours(replace(made, cut=None))], days) == []


def test_a_panel_that_grows_dirty_is_weak_charge_and_no_cut_cable() -> None:
    made = Made(
        panel_a=0.5,
        sky=(1.0, 0.9, 0.8),
        dim=lambda day: 1.0 if day < 18.0 else 0.5,
    )
    found = named([shown(made), *neighbours(made)], 27.9)
    assert [one.cause for one in found] in (["weak-charge"], [])
    assert "not-charged" not in [one.cause for one in found]


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("where", [WYOMING, ADELAIDE, NORTH])
def test_sound_sites_are_left_alone_in_any_noise(where: Where, seed: int) -> None:
    made = Made(where=where, sky=MIXED, seed=seed, step_v=(0.01, 0.1)[seed % 2], noise_v=0.02)
    made = replace(made, panel_a=4.0 if where is NORTH else 1.2)
    sites = [shown(made), *neighbours(made, 2)]
    assert [causes(sites, day) for day in (15.3, 21.6, 29.9)] == [[]] * 3


def test_a_small_panel_in_a_dark_autumn_is_more_load_than_sun_and_no_broken_part() -> None:
    made = Made(where=NORTH, sky=MIXED)
    found = named([shown(made), *neighbours(replace(made, panel_a=4.0))], 29.9)
    assert [one.cause for one in found] == ["more-load-than-sun"]
    assert found[0].confidence is Confidence.POSSIBLE
    assert "load disconnect (11.5\u00a0V) in" in text_of(found[0].says)

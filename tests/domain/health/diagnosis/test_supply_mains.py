"""Lost mains are named within hours and grouped by feeder; a high controller after a day."""

from dataclasses import replace

import pytest
from tests.domain.health.diagnosis.supply_traces import (
    ADELAIDE,
    HOUR,
    Made,
    causes,
    named,
    neighbours,
    shown,
    text_of,
)

from tallymast.domain.health.diagnosis.model import Confidence
from tallymast.domain.model import Chemistry, Supply, SupplyKind

FLOATED = Supply(SupplyKind.MAINS_WITH_BATTERY, Chemistry.AGM, 12.0, 26.0, disconnect_v=11.5)


def test_mains_lost_is_named_within_hours_with_when_it_began() -> None:
    made = Made(supply=FLOATED, cut=(20.0, 99.0))
    site = shown(made)
    assert causes([site], 19.9) == []
    (found,) = named([site], 20.0 + 6 / 24)
    assert found.cause == "mains-lost"
    assert 0 <= found.since_ms - made.where.ms(20.0) <= 2 * HOUR
    assert any("licensed" in caution for caution in found.cautions)


def test_mains_that_are_back_are_no_cause() -> None:
    made = Made(supply=FLOATED, cut=(20.0, 20.2))
    assert causes([shown(made)], 20.4) == []


def test_several_sites_of_an_area_are_one_feeder() -> None:
    made = Made(supply=FLOATED, cut=(20.0, 99.0))
    sites = [shown(replace(made, site_id=n)) for n in (1, 2, 3)]
    (found,) = named(sites, 20.4)
    assert found.site_ids == (1, 2, 3)
    assert found.title == "Feeder or mains lost"


@pytest.mark.parametrize("volts", [12.0, 24.0])
def test_mains_floated_all_the_time_say_nothing(volts: float) -> None:
    supply = replace(FLOATED, nominal_v=volts, disconnect_v=11.5 * volts / 12)
    made = Made(where=ADELAIDE, supply=supply, step_v=0.1, noise_v=0.03)
    assert [causes([shown(made)], day) for day in (1.0, 10.0, 29.0)] == [[]] * 3


def test_a_controller_that_holds_too_high_is_named_after_its_first_days() -> None:
    made = Made(over_from=20.0, sky=(1.0, 0.8))
    sites = [shown(made), *neighbours(made)]
    assert causes(sites, 19.9) == []
    assert causes(sites, 20.95) == ["overcharge"]
    (found,) = named(sites, 22.9)
    assert found.confidence in (Confidence.LIKELY, Confidence.SURE)
    assert "V since" in text_of(found.says)
    assert any("hydrogen" in caution for caution in found.cautions)


def test_several_held_higher_on_one_day_are_a_cold_snap_unless_beyond_any_cold() -> None:
    made = Made(over_from=20.0, over_v=15.1)
    assert causes([shown(made), *neighbours(made)], 20.95) == ["overcharge"]
    both = [shown(made), shown(replace(made, site_id=2, seed=9)), *neighbours(made)]
    assert causes(both, 20.95) == []
    far = [shown(replace(one.made, over_v=16.6)) for one in both[:2]]
    assert causes(far, 20.95) == ["overcharge"]


def test_a_battery_that_mains_hold_too_high_is_named_too() -> None:
    made = Made(supply=FLOATED, over_from=20.0)
    assert causes([shown(made)], 21.5) == ["overcharge"]


def test_a_controller_that_never_floats_a_full_battery_is_told_by_its_hours() -> None:
    made = Made(over_from=20.0, over_v=14.6)
    sites = [shown(made), *neighbours(made)]
    assert causes(sites, 19.9) == []
    assert causes(sites, 21.9) == ["overcharge"]


def test_a_day_of_absorption_after_a_dull_week_is_no_overcharge() -> None:
    made = Made(sky=(1.0,) * 14 + (0.12,) * 7 + (1.0,) * 9, panel_a=0.6)
    sites = [shown(made), *neighbours(made)]
    assert [causes(sites, day) for day in (21.9, 22.9, 23.9, 25.9)] == [[]] * 4

"""A worn battery is named before its first dark night; a sound one in frost or gloom never."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from tests.domain.health.diagnosis.supply_traces import (
    ADELAIDE,
    Made,
    causes,
    named,
    neighbours,
    shown,
    text_of,
)

from tallymast.domain.health.diagnosis.model import About
from tallymast.domain.model import Chemistry, Supply, SupplyKind

OLD = replace(Made().supply, installed=date(2020, 9, 1))


def worn_from(begin: float, days: float, last: float):  # type: ignore[no-untyped-def]
    """Capacity that falls from all of it to a share, in a straight line."""
    return lambda day: 1.0 - (1.0 - last) * min(max((day - begin) / days, 0.0), 1.0)


def test_a_battery_that_loses_most_of_its_capacity_is_named_while_it_is_never_dark() -> None:
    made = Made(supply=OLD, capacity=worn_from(14.0, 8.0, 0.15), days=30.0)
    site = shown(made)
    assert not np.isnan(site.series["VBAT"][1]).any()
    assert causes([site], 14.0) == []
    found = named([site], 27.3)
    assert [one.cause for one in found] == ["battery"]
    assert text_of(found[0].advice) == "Battery at its end: take a 33\u00a0Ah AGM."
    assert text_of(found[0].rests_on[0]) == "Battery is 6 years old."
    assert found[0].explains == frozenset()


def test_nights_without_power_after_days_of_charge_are_the_battery_and_explain_silence() -> None:
    made = Made(supply=OLD, capacity=worn_from(12.0, 8.0, 0.02), days=28.0)
    found = named([shown(made), *neighbours(made)], 27.3)
    assert found[0].cause == "battery"
    assert {one.about for one in found} == {About.SUPPLY}
    assert About.CONTACT in found[0].explains
    assert "goes dark about" in text_of(found[0].says)
    assert found[0].score >= 6.0


def test_a_sound_battery_of_another_kind_is_left_alone() -> None:
    pair = Supply(SupplyKind.SOLAR, Chemistry.FLOODED, 24.0, 40.0, disconnect_v=23.0)
    made = Made(where=ADELAIDE, supply=pair, step_v=0.1, sky=(1.0, 0.6, 0.2, 1.0))
    assert causes([shown(made)], 29.3) == []


def test_more_load_than_before_within_reason_is_no_worn_battery() -> None:
    made = Made(capacity=worn_from(10.0, 15.0, 0.8))
    assert causes([shown(made)], 29.3) == []


@pytest.mark.parametrize("day", [2.3, 4.3, 6.3])
def test_few_nights_name_no_battery(day: float) -> None:
    made = Made(capacity=lambda _: 0.1, days=8.0)
    assert causes([shown(made)], day) == []


def test_a_site_without_a_supply_point_has_no_supply_cause() -> None:
    made = Made(capacity=lambda _: 0.02)
    site = shown(made)
    bare = replace(site, site=replace(site.site, points=()))
    assert causes([bare], 27.3) == []

"""When silence is put down to the battery: the rule is ours, its scenes are plain by hand."""

from dataclasses import replace

import pytest

from tallymast.domain.health.comms.model import Outage
from tallymast.domain.health.comms.supply_caused import supply_caused

HOUR = 3_600_000
SUNRISE = 200 * 24 * HOUR
NIGHTLY = Outage(3, SUNRISE - 4 * HOUR, SUNRISE + HOUR, 300, SUNRISE - 4 * HOUR - 60_000)


def caused(
    before_v: float | None,
    after_v: float | None = None,
    back_min: float | None = None,
    outage: Outage = NIGHTLY,
    disconnect_v: float | None = 11.5,
    nominal_v: float = 12,
) -> bool:
    return supply_caused(
        outage,
        before_v,
        after_v,
        disconnect_v,
        nominal_v=nominal_v,
        back_after_sunrise_min=back_min,
    )


@pytest.mark.parametrize(("before_v", "found"), [(11.4, True), (11.79, True), (11.9, False)])
def test_a_last_voltage_at_the_disconnect_is_the_supply(before_v: float, found: bool) -> None:
    assert caused(before_v) is found


def test_volts_grow_with_the_battery() -> None:
    assert caused(23.5, disconnect_v=23.0, nominal_v=24)
    assert not caused(23.7, disconnect_v=23.0, nominal_v=24)


def test_a_night_that_ends_after_sunrise_on_charge_is_the_supply() -> None:
    assert caused(12.2, 13.1, 60)


def test_a_repeater_that_fell_silent_at_12_9_v_is_not_the_supply() -> None:
    assert not caused(12.9, outage=replace(NIGHTLY, to_ms=None))
    assert not caused(12.9, 13.4, 60)


def test_a_return_without_charge_or_too_late_is_not_the_supply() -> None:
    assert not caused(12.2, 12.1, 60)
    assert not caused(12.2, 13.1, 241, replace(NIGHTLY, to_ms=SUNRISE + 241 * 60_000))
    assert not caused(12.2, None, 60)
    assert not caused(12.2, 13.1, None)


def test_silence_by_day_is_not_put_down_to_the_night() -> None:
    by_day = replace(NIGHTLY, from_ms=SUNRISE + HOUR, to_ms=SUNRISE + 2 * HOUR)
    assert not caused(12.2, 13.1, 120, by_day)
    day_before = replace(NIGHTLY, from_ms=SUNRISE - 15 * HOUR)
    assert not caused(12.2, 13.1, 60, day_before)


def test_without_voltage_or_limit_the_supply_is_never_blamed() -> None:
    assert not caused(None, 13.1, 60)
    assert not caused(11.4, disconnect_v=None)

"""A hand meter beside the station's: the sign of the offset, and what is refused.

The sign is checked where the offset is used: what the simulated station shows, and the
battery's forecast, have to agree with it.
"""

from dataclasses import replace

import numpy as np
import pytest
from tests.domain.health.supply.test_forecast import AGM33, decline
from tests.simulator.test_supply_troubles import power, solar

from tallymast.domain.health.supply.forecast import forecast
from tallymast.domain.life.hand_meter import Comparison, doubt, offset_words, refusal


def test_the_offset_is_what_the_station_shows_too_much() -> None:
    # By hand: the hand meter reads 12.60, the station 12.72: it shows 0.12 V too much.
    found = Comparison(12.60, 12.72)
    assert found.offset == pytest.approx(0.12)
    assert offset_words(found.offset) == "shows 0.12\u00a0V too much"
    assert offset_words(Comparison(12.84, 12.72).offset) == "shows 0.12\u00a0V too little"


def test_a_simulated_station_with_an_offset_is_off_by_what_is_found() -> None:
    at_s = np.array([1.78e9])
    true = float(power(solar()).voltage(at_s)[0])
    shown = float(power(replace(solar(), meter_offset_v=0.31)).voltage(at_s)[0])
    assert Comparison(true, shown).offset == pytest.approx(0.31, abs=0.001)


def test_a_station_that_shows_too_much_has_less_time_left_than_its_volts_say() -> None:
    # Beside nights that a right meter would show: all 0.2 V too high, and said to be so.
    nights = decline(9, 0.05)
    lifted = replace(nights, volts=[volt + 0.2 for volt in nights.volts])
    right = forecast(replace(AGM33, offset_v=0.001), nights)
    corrected = forecast(replace(AGM33, offset_v=Comparison(12.4, 12.6).offset), lifted)
    assert right is not None
    assert corrected is not None
    assert corrected.median_days == pytest.approx(right.median_days, rel=0.02)


def test_as_found_takes_the_offset_in_force_into_account_and_as_left_the_new_one() -> None:
    found = Comparison(12.60, 12.80, offset_before=0.12)
    assert found.as_found == pytest.approx(0.08)
    assert found.offset == pytest.approx(0.20)
    assert found.as_left(found.offset) == 0.0


def test_more_than_five_per_cent_is_measured_again() -> None:
    # By hand: 12.60 x 1.05 = 13.23.
    assert doubt(Comparison(12.60, 13.22)) == ""
    assert "measure again" in doubt(Comparison(12.60, 13.24))
    assert "clamp drops" in doubt(Comparison(12.60, 11.90))


def test_what_no_offset_can_be_is_refused() -> None:
    assert "outside 1 to 100 V" in refusal(Comparison(0.4, 12.0))
    assert "at most 5 V" in refusal(Comparison(24.4, 12.2))
    assert refusal(Comparison(12.6, 12.7)) == ""

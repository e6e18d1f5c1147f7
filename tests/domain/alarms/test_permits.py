"""A permit's two alarms: used up, and, less urgent, perhaps before its period ends."""

from dataclasses import replace
from fractions import Fraction

import pytest

from tallymast.domain.alarms.conditions import Around, seen_of
from tallymast.domain.alarms.model import AlarmState, Condition, Kind, Standing
from tallymast.domain.alarms.permitted import Permitted, permit_alarms
from tallymast.domain.alarms.stepping import look
from tallymast.domain.alarms.suppression import suppressed
from tallymast.domain.model import Priority
from tallymast.domain.totals.permits import Outlook, Period, Permit, outlook, range_words

NOW = 1_772_964_000_000
PERMIT = Permit(7, "Well licence", Period.MONTH, Fraction(900), "m³", (3,), 0, 0, "me")
REACHED, AHEAD = permit_alarms([PERMIT])
STEADY = [10.0] * 28  # a day's volume [m³], always the same: every draw is alike


def seen(one: Outlook | None, *, ahead: bool = False) -> Condition:
    around = Around(NOW, permits={7: Permitted(PERMIT, one)})
    return seen_of(AHEAD if ahead else REACHED, around).condition


def test_a_permit_has_an_alarm_when_it_is_used_up_and_a_lesser_one_before() -> None:
    assert [one.key for one in (REACHED, AHEAD)] == ["//permit/7-reached", "//permit/7-ahead"]
    assert (REACHED.kind, REACHED.priority) == (Kind.PERMIT, Priority.HIGH)
    assert AHEAD.priority is Priority.NORMAL
    assert "Well licence" in REACHED.rationale
    assert suppressed(REACHED, Around(NOW)) == ""


def test_it_is_used_up_when_the_limit_is_reached_not_before() -> None:
    assert seen(Outlook(900.0, 899.9, 0.0)) is Condition.NORMAL
    assert seen(Outlook(900.0, 900.0, 0.0)) is Condition.ABNORMAL


def test_what_nobody_knows_of_is_never_taken_for_nothing() -> None:
    assert seen(Outlook(900.0, 800.0, 150.0)) is Condition.UNKNOWN  # 950 may have passed
    assert seen(Outlook(900.0, 800.0, None)) is Condition.UNKNOWN
    assert seen(Outlook(900.0, 800.0, 50.0)) is Condition.NORMAL
    assert seen(None) is Condition.UNKNOWN


def test_it_calls_ahead_when_the_sooner_end_lies_within_the_period() -> None:
    # 45 m³ are left: at 10 m³ a day for 4.5 days; the period goes on for 10, or for 4.
    assert seen(outlook(900.0, 855.0, 0.0, STEADY, 10.0), ahead=True) is Condition.ABNORMAL
    assert seen(outlook(900.0, 855.0, 0.0, STEADY, 4.0), ahead=True) is Condition.NORMAL
    assert seen(outlook(900.0, 855.0, 0.0, STEADY[:6], 10.0), ahead=True) is Condition.UNKNOWN


def test_two_looks_raise_it_and_a_wavering_forecast_clears_it_only_after_hours() -> None:
    def after(standing: Standing, one: Outlook, at_ms: int) -> Standing:
        around = Around(at_ms, permits={7: Permitted(PERMIT, one)})
        return look(AHEAD, standing, seen_of(AHEAD, around), at_ms).standing

    near, far = (outlook(900.0, 855.0, 0.0, STEADY, days) for days in (10.0, 4.0))
    first = after(Standing(), near, NOW)
    standing = after(first, near, NOW + 1000)
    assert standing.state is AlarmState.UNACKNOWLEDGED
    for n in range(2, 5):
        standing = after(standing, far, NOW + n * 3_600_000)
    assert standing.state is AlarmState.UNACKNOWLEDGED
    for n in range(5, 10):
        standing = after(standing, far, NOW + n * 3_600_000)
    assert standing.state is AlarmState.RETURNED


def test_the_range_is_told_in_days_and_what_is_unknown_makes_it_sooner() -> None:
    one = outlook(900.0, 860.0, 20.0, STEADY, 10.0)
    # 40 m³ are left at 10 a day: 4 days; with 20 m³ unseen only 20 are left: 2 days.
    assert (one.soonest_days, one.latest_days) == pytest.approx((2.0, 4.0))
    assert range_words(one, Period.MONTH) == (
        "The limit is reached in 2 to 4 days; the month goes on for 10 days."
    )
    mild = outlook(900.0, 860.0, 50.0, STEADY, 3.0)
    assert (mild.soonest_days, mild.latest_days) == (0.0, None)
    assert "already, or not in this month" in range_words(mild, Period.MONTH)
    far = outlook(900.0, 100.0, 0.0, STEADY, 10.0)
    assert range_words(far, Period.MONTH).startswith("The limit is not reached")
    assert range_words(replace(far, taken=900.0), Period.MONTH) == ""


def test_a_part_of_a_day_counts_as_long_as_it_lasts() -> None:
    # Half a day of a 10 m³ day takes 5 m³; 2.5 m³ of them after a quarter of a day.
    one = outlook(900.0, 897.5, 0.0, STEADY, 0.5)
    assert (one.soonest_days, one.latest_days) == pytest.approx((0.25, 0.25))
    assert range_words(one, Period.DAY).startswith("The limit is reached in 6 hours;")

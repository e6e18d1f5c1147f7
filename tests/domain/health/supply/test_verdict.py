"""Verdicts on nights made by hand: each kind of supply, and what must not be accused."""

from dataclasses import replace
from datetime import date

import pytest
from tests.domain.health.supply.conftest import (
    AGM,
    FIRST,
    ZONE,
    dawn_ms,
    judged,
    local,
    nights_of,
    site,
)

from tallymast.domain.health.nights import DAY_MS
from tallymast.domain.health.supply.model import Verdict
from tallymast.domain.health.supply.verdict import judge_supply
from tallymast.domain.model import Chemistry, Supply, SupplyKind

HOUR_MS = 3_600_000
LITHIUM = Supply(SupplyKind.SOLAR, Chemistry.LIFEPO4, 12.0, 30.0, disconnect_v=11.8)
FLOATED = Supply(SupplyKind.MAINS_WITH_BATTERY, Chemistry.AGM, 12.0, 26.0, disconnect_v=11.5)
MAINS = Supply(SupplyKind.MAINS)
PRIMARY = Supply(SupplyKind.PRIMARY, Chemistry.LITHIUM_PRIMARY, 14.4, 38.0)
FALLING = [12.62, 12.56, 12.50, 12.44, 12.38, 12.32, 12.26, 12.19, 12.12]


def cut_off(before: int = 20) -> list[float]:
    """Pre-dawn voltages of a battery whose panel was cut off nine nights ago."""
    return [12.64] * before + FALLING


def cut_off_peaks(before: int = 20) -> list[float]:
    dawns = cut_off(before)
    return [14.6] * before + [14.4] + [one + 0.02 for one in dawns[before:-1]]


def test_a_site_without_battery_or_voltmeter_has_no_supply_to_judge() -> None:
    bare = site(None, points=())
    assert (
        judge_supply(bare, [], now_ms=0, zone=ZONE, latitude=None, longitude=None, dark=()) is None
    )


@pytest.mark.parametrize("dawn", [13.8, 27.4, 12.1])
def test_a_supply_nobody_described_is_not_accused(dawn: float) -> None:
    health = judged(site(None), nights_of([dawn] * 20, dawn, sag=0.0))
    assert (health.verdict, health.predawn_v) == (Verdict.TELLS_LITTLE, dawn)
    assert (health.forecast, health.charged_ms) == (None, None)


def test_a_full_battery_every_day_is_steady() -> None:
    health = judged(site(), nights_of([12.63, 12.64] * 15, 14.5))
    assert (health.verdict, health.nights, health.predawn_v) == (Verdict.STEADY, 30, 12.64)
    assert health.forecast is None
    assert health.sag_v == pytest.approx(0.1)


def test_a_panel_that_is_cut_off_is_not_charging_since_its_last_charge() -> None:
    nights = nights_of(cut_off(), cut_off_peaks())
    health = judged(site(), nights)
    assert health.verdict is Verdict.NOT_CHARGING
    assert health.charged_ms == health.since_ms == nights[20].peak_ms
    assert health.forecast is not None
    # 33 Ah less 1.8 Ah a day for eight days from full is somewhat more than half; 11.5 V of AGM
    # is about 12 % by the eleven-point table: 6 to 9 days' load lies between, wear less.
    assert 3.0 < health.forecast.low_days < (health.forecast.high_days or 99.0) < 11.0
    assert health.forecast.disconnect_v == 11.5
    assert health.forecast.nights == 9
    assert not health.forecast.wide


def test_nights_without_a_reading_change_no_verdict() -> None:
    dawns: list[float | None] = list(cut_off())
    for lost in (5, 22, 24, 25):
        dawns[lost] = None
    nights = [night for night in nights_of(dawns, cut_off_peaks()) if night.predawn_v is not None]
    health = judged(site(), nights)
    assert health.verdict is Verdict.NOT_CHARGING
    assert health.forecast is not None
    assert health.forecast.wide  # six nights are left since


def test_a_dull_week_is_no_trouble() -> None:
    # Pre-dawn sinks by 0.15 V and every day still lifts the terminals by four tenths.
    dawns = [12.62] * 20 + [12.60, 12.58, 12.56, 12.53, 12.50, 12.48, 12.47]
    peaks = [14.6] * 20 + [13.1, 13.0, 12.98, 12.96, 12.93, 12.9, 12.9]
    assert judged(site(), nights_of(dawns, peaks)).verdict is Verdict.STEADY


def test_an_autumn_s_gentle_decline_is_no_trouble() -> None:
    # A rest voltage falls by 4.3 mV a degree; sixty days of autumn are some 15 degrees.
    dawns = [12.68 - 0.0011 * n for n in range(60)]
    assert judged(site(), nights_of([round(v, 2) for v in dawns], 14.7)).verdict is Verdict.STEADY


def test_too_little_charge_for_weeks_is_a_decline() -> None:
    dawns = [12.6 - 0.025 * n for n in range(25)]
    peaks = [14.4] + [one + 0.35 for one in dawns[:-1]]
    health = judged(site(), nights_of(dawns, peaks))
    assert health.verdict is Verdict.DECLINING
    assert health.trend is not None
    assert health.trend.per_day_v == pytest.approx(-0.025, abs=1e-6)
    assert health.forecast is not None


def test_more_than_a_battery_stands_is_overcharging() -> None:
    # AGM: 15.0 V at 25 °C. Early September at 44° is taken for no colder than about 3 °C: 0.66 V
    # more at 5 mV a cell and degree; nothing explains 16.2 V.
    dawns = [12.7] * 12
    high = judged(site(), nights_of(dawns, [14.5] * 10 + [16.2, 16.2]))
    once = judged(site(), nights_of(dawns, [14.5] * 11 + [16.2]))
    assert (high.verdict, high.peak_v) == (Verdict.OVERCHARGING, 16.2)
    assert once.verdict is Verdict.STEADY


def test_a_measured_temperature_makes_overcharge_sharper() -> None:
    nights = nights_of([12.7] * 12, 15.4)
    warm = {night.day: 30.0 for night in nights}
    assert judged(site(), nights).verdict is Verdict.STEADY
    assert judged(site(), nights, temperature_c=warm).verdict is Verdict.OVERCHARGING


def test_what_needs_no_trend_is_said_before_seven_nights() -> None:
    assert judged(site(), nights_of([12.6] * 3, 14.5)).verdict is Verdict.FEW_NIGHTS
    assert judged(site(), nights_of([12.6] * 3, 16.6)).verdict is Verdict.OVERCHARGING
    cut = nights_of([12.6, 12.54, 12.48, 12.42], [14.5, 12.62, 12.56, 12.5])
    assert judged(site(), cut).verdict is Verdict.NOT_CHARGING


def dark_spans(days: list[int], off_h: float = -4.0, back_min: int = 40) -> list[tuple[int, int]]:
    """Silences from so many hours before sunrise (13:00 UTC here) to some minutes after it."""
    return [
        (dawn_ms(day) + round(off_h * HOUR_MS), dawn_ms(day) + back_min * 60_000) for day in days
    ]


def test_nights_without_power_are_told_from_silence() -> None:
    dawns: list[float | None] = [12.5] * 20 + [None] * 4
    nights = nights_of(dawns, 14.6)
    ran_down = [
        replace(night, low_v=11.6, low_ms=dawn_ms(night.day) - round(4.1 * HOUR_MS))
        if night.predawn_v is None
        else night
        for night in nights
    ]
    days = [FIRST + n for n in range(20, 24)]
    health = judged(site(), ran_down, dark_spans(days))
    assert health.verdict is Verdict.DARK_AT_NIGHT
    assert health.dark is not None
    assert health.dark.nights == 4
    # 13:00 UTC less four hours is 03:00 in Denver in September.
    assert health.dark.off_minute == 180
    assert local(dark_spans(days)[0][0]).hour == 3
    # True sunrise is some minutes off 13:00 UTC.
    assert health.dark.back_after_sunrise_min == pytest.approx(40, abs=25)
    # The same silences with volts far above the disconnect are the radio's.
    silent = judged(site(), nights, dark_spans(days))
    assert silent.verdict is not Verdict.DARK_AT_NIGHT


@pytest.mark.parametrize(
    "spans",
    [
        dark_spans([FIRST + 23]),  # one night only
        dark_spans([FIRST + 21, FIRST + 22]),  # not the newest night
        dark_spans([FIRST + n for n in range(20, 24)], back_min=-90),  # back before the sun
        dark_spans([FIRST + n for n in range(20, 24)], back_min=600),  # back in the afternoon
    ],
)
def test_other_silences_are_no_nights_without_power(spans: list[tuple[int, int]]) -> None:
    nights = [
        replace(night, low_v=11.6, low_ms=dawn_ms(night.day) - 5 * HOUR_MS)
        for night in nights_of([12.5] * 24, 14.6)
    ]
    assert judged(site(), nights, spans).verdict is not Verdict.DARK_AT_NIGHT


def test_a_battery_that_is_full_each_day_and_lower_each_dawn_is_ageing() -> None:
    dawns = [12.65] * 20 + [12.65 - 0.02 * n for n in range(20)]
    health = judged(site(replace(AGM, installed=date(2020, 4, 18))), nights_of(dawns, 14.7))
    assert health.verdict is Verdict.AGEING
    assert health.age_days is not None
    # 2020-04-18 to 2026-10-13 by the calendar.
    assert health.age_days == (date(2026, 10, 13) - date(2020, 4, 18)).days


def test_growing_sags_are_ageing_and_a_deep_one_alone_is_not() -> None:
    dawns = [12.6] * 30
    grown = nights_of(dawns, 14.6, sag=[0.1] * 16 + [0.15 + 0.05 * n for n in range(14)])
    once = nights_of(dawns, 14.6, sag=[0.1] * 29 + [1.0])
    worse, same = judged(site(), grown), judged(site(), once)
    assert (worse.verdict, worse.sag_grows) == (Verdict.AGEING, True)
    assert (same.verdict, same.sag_grows) == (Verdict.STEADY, False)


def test_a_reading_that_never_moves_is_stuck_only_where_it_should_move() -> None:
    still = nights_of([12.6] * 10, 12.6, sag=0.0)
    assert judged(site(), still).verdict is Verdict.STUCK
    assert judged(site(LITHIUM), still).verdict is Verdict.STUCK
    floated = nights_of([13.6] * 60, 13.6, sag=0.0)
    assert judged(site(FLOATED), floated).verdict is Verdict.STEADY
    assert judged(site(MAINS), floated).verdict is Verdict.STEADY
    flat = nights_of([14.2] * 60, 14.2, sag=0.0)
    assert judged(site(PRIMARY), flat).verdict is Verdict.TELLS_LITTLE


def test_mains_lost_is_said_of_a_floated_battery() -> None:
    dawns = [13.6] * 20 + [12.75, 12.6, 12.45]
    nights = nights_of(dawns, [13.6] * 21 + [12.8, 12.65])
    health = judged(site(FLOATED), nights)
    assert health.verdict is Verdict.NOT_CHARGING
    assert health.since_ms is not None
    # The last night on mains ended with the dawn three days before the newest.
    assert abs(health.since_ms - dawn_ms(FIRST + 19)) < HOUR_MS
    assert health.forecast is not None
    assert health.forecast.wide


def test_gel_that_is_always_floated_low_is_steady() -> None:
    # 13.05 V is a published float of gel, and a meter may err by 1 %.
    gel = Supply(SupplyKind.MAINS_WITH_BATTERY, Chemistry.GEL, 12.0, 26.0)
    low = nights_of([12.95, 12.96] * 10, 12.97)
    assert judged(site(gel), low).verdict is Verdict.STEADY


def test_a_mains_supply_below_its_own_past_is_low() -> None:
    sound = nights_of([13.8] * 20, 13.8)
    low = nights_of([13.8] * 19 + [12.1], 13.8)
    assert judged(site(MAINS), sound).verdict is Verdict.STEADY
    assert judged(site(MAINS), low).verdict is Verdict.DECLINING


def test_lithium_is_judged_by_its_charging() -> None:
    # A dull spell of days without absorption is nothing; ten days without any charge are.
    dull = nights_of([13.2] * 20, [14.2] * 12 + [13.5] * 8)
    assert judged(site(LITHIUM), dull).verdict is Verdict.TELLS_LITTLE
    none = nights_of([13.2] * 10 + [13.1] * 11, [14.2] * 10 + [13.15] * 11)
    health = judged(site(LITHIUM), none)
    assert (health.verdict, health.forecast) == (Verdict.NOT_CHARGING, None)
    over = nights_of([13.3] * 10, 15.2)
    assert judged(site(LITHIUM), over).verdict is Verdict.OVERCHARGING


def test_a_primary_pack_tells_only_when_it_leaves_its_own_past() -> None:
    flat = [14.15 + 0.05 * (-1) ** n for n in range(30)]
    assert judged(site(PRIMARY), nights_of(flat, 14.3)).verdict is Verdict.TELLS_LITTLE
    going = [*flat, 13.9, 13.7, 13.5]
    health = judged(site(PRIMARY), nights_of(going, 14.3))
    assert (health.verdict, health.forecast) == (Verdict.DECLINING, None)


def test_a_supply_not_read_for_days_is_unknown_unless_it_was_going_down() -> None:
    later = dawn_ms(FIRST + 29) + 5 * DAY_MS
    steady = nights_of([12.64] * 30, 14.5)
    health = judged(site(), steady, now_ms=later)
    assert (health.verdict, health.predawn_v) == (Verdict.UNKNOWN, 12.64)
    gone = nights_of(cut_off(21), cut_off_peaks(21))
    explained = judged(site(), gone, now_ms=later)
    assert (explained.verdict, explained.forecast) == (Verdict.NOT_CHARGING, None)
    nothing = judge_supply(site(), [], now_ms=0, zone=ZONE, latitude=44.0, longitude=-106.0)
    assert nothing is not None
    assert (nothing.verdict, nothing.nights) == (Verdict.UNKNOWN, 0)


def test_tenth_of_a_volt_steps_accuse_nobody() -> None:
    # 12.64 V shown in steps of 0.1 V flickers between two of them.
    dawns = [12.7, 12.6, 12.6, 12.7, 12.6] * 6 + [12.6] * 8
    assert judged(site(), nights_of(dawns, [14.5, 14.6] * 19)).verdict is Verdict.STEADY


def test_a_site_anywhere_can_be_judged_without_coordinates() -> None:
    nights = nights_of(cut_off(), cut_off_peaks())
    health = judged(site(), nights, latitude=None, longitude=None)
    assert health.verdict is Verdict.NOT_CHARGING
    assert health.forecast is not None

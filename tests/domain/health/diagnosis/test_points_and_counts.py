"""Loops, stuck sensors, restarts and refused registers, and what only looks like one of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from tests.domain.health.diagnosis.supply_traces import (
    ADELAIDE,
    AGM,
    HOUR,
    STEP,
    WYOMING,
    Floats,
    Ints,
    Made,
    Shown,
    causes,
    named,
    shown,
    text_of,
)

from tallymast.domain.health.diagnosis.model import About, Confidence
from tallymast.domain.health.diagnosis.model import Shown as Chart
from tallymast.domain.model import Point, PointKind, SiteStatus, Table, WordLayout

LEVEL = Point(
    "LVL",
    "Level",
    PointKind.ANALOG_INPUT,
    Table.INPUT,
    1,
    WordLayout.UINT16,
    unit="m",
    loop="4-20mA",
    raw=(4000.0, 20000.0),
    value=(0.0, 4.5),
)
TOTAL = Point(
    "TOT1",
    "Volume",
    PointKind.TOTALIZER,
    Table.INPUT,
    2,
    WordLayout.UINT16,
    modulus=65_536,
    max_rate=2.0,
)
STARTS = Point("RESTARTS", "Restart counter", PointKind.COUNTER, Table.INPUT, 3, WordLayout.UINT16)
MADE = Made(days=30.0)


def instants(made: Made = MADE) -> Ints:
    return np.arange(made.where.ms(0.0), made.where.ms(made.days), STEP, dtype=np.int64)


def days_of(at_ms: Ints) -> Floats:
    return np.asarray((at_ms - at_ms[0]) / 86_400_000)


def level(change: Callable[[Floats, Floats], Floats], made: Made = MADE) -> Shown:
    """A tank that fills and empties in half a day with ripples, changed by a function of days."""
    at_ms = instants(made)
    day = days_of(at_ms)
    ripple = np.random.default_rng(3).normal(0.0, 0.01, len(day))
    values = 2.2 + 0.8 * np.sin(day * 4 * np.pi) + ripple
    return shown(made, LVL=(LEVEL, at_ms, change(day, values)))


# --- loops ------------------------------------------------------------------------------------

OPEN = (("LVL", "loop 3.58 mA, the sensor loop is open or failed"),)
SHORT = (("LVL", "loop 21.90 mA, the sensor loop is shorted or failed"),)


@pytest.mark.parametrize("where", [WYOMING, ADELAIDE])
def test_a_loop_without_current_is_named_with_its_last_good_value(where: object) -> None:
    made = replace(MADE, where=where)  # type: ignore[arg-type]
    site = level(lambda day, v: np.where(day < 24.0, v, np.nan), made)
    (found,) = named([site], 24.1, invalid=OPEN)
    assert (found.cause, found.tag, found.about) == ("loop", "LVL", About.POINT)
    assert found.since_ms == made.where.ms(24.0)
    assert "loop 3.58\u00a0mA" in text_of(found.says)
    assert "\u00a0m of 4.50" in text_of(found.says)
    assert found.title.startswith("Broken wire or sensor without power")
    assert found.chart.shown is Chart.POINT
    assert found.confidence is Confidence.SURE


def test_a_loop_with_too_much_current_is_a_short_or_the_sensor() -> None:
    site = level(lambda day, v: np.where(day < 24.0, v, np.nan))
    (found,) = named([site], 25.0, invalid=SHORT)
    assert found.title == "Short or sensor fault (Level)"


def test_one_bad_reading_is_no_loop_fault_yet() -> None:
    def one_gone(day: Floats, values: Floats) -> Floats:
        values[np.searchsorted(day, 24.0) - 1] = np.nan
        return values

    assert causes([level(one_gone)], 24.0, invalid=OPEN) == []


def test_a_silent_station_has_no_loop_fault() -> None:
    site = level(lambda day, v: np.where(day < 24.0, v, np.nan))
    assert causes([site], 25.0, invalid=OPEN, status=SiteStatus.COMM_FAIL) == []


# --- readings that stand still -------------------------------------------------------------------


def test_a_level_that_always_moved_and_stands_still_is_stuck_within_a_day() -> None:
    site = level(lambda day, v: np.where(day < 24.0, v, 2.34))
    assert causes([site], 24.3) == []
    (found,) = named([site], 24.8)
    assert (found.cause, found.tag) == ("stuck", "LVL")
    assert found.confidence is Confidence.POSSIBLE
    assert abs(found.since_ms - MADE.where.ms(24.0)) <= HOUR
    (later,) = named([site], 25.5)
    assert later.confidence is Confidence.LIKELY


def gate(day: Floats, values: Floats) -> Floats:
    return np.asarray(30.0 + 2.0 * np.floor(day / 1.7 % 5))


def dry_pond(day: Floats, values: Floats) -> Floats:
    return np.where(day < 24.0, values, 0.0)


def rests_at_night(day: Floats, values: Floats) -> Floats:
    return np.where(day % 1.0 < 0.35, 2.0, values)


@pytest.mark.parametrize("course", [gate, dry_pond, rests_at_night, lambda day, v: 0 * v + 3.1])
def test_what_often_stands_still_or_stands_at_its_end_is_not_accused(
    course: Callable[[Floats, Floats], Floats],
) -> None:
    assert causes([level(course)], 26.0) == []


def test_a_reading_known_for_few_days_is_not_accused() -> None:
    made = replace(MADE, days=6.0)
    site = level(lambda day, v: np.where(day < 3.0, v, 2.34), made)
    assert causes([site], 5.9) == []


# --- restarts -------------------------------------------------------------------------------------

CUTS = ((20.1, 20.13), (23.6, 23.605))


def counter(
    cuts: tuple[tuple[float, float], ...] = CUTS,
    saved: int | None = 0,
    made: Made = MADE,
    *,
    counts: bool = True,
) -> Shown:
    """A meter at 0.4 pulses a second whose station loses its power in some spans of days."""
    at_ms = instants(made)
    day = days_of(at_ms)
    total = 0.4 * 86_400 * day + 1000.0
    starts = np.full(len(day), 4.0)
    gone = np.zeros(len(day), bool)
    for begin, end in cuts:
        gone |= (day >= begin) & (day < end)
        starts += counts * (day >= end)
        if saved is not None:
            total = np.where(day >= end, saved + 0.4 * 86_400 * (day - end), total)
    total = np.floor(total) % 65_536
    total[gone], starts[gone] = np.nan, np.nan
    site = shown(made, TOT1=(TOTAL, at_ms, total), RESTARTS=(STARTS, at_ms, starts))
    volts = site.series["VBAT"][1].copy()
    volts[gone] = np.nan
    return replace(site, series={**site.series, "VBAT": (at_ms, volts)})


def test_two_restarts_with_a_sound_battery_are_the_connection_and_not_the_meter() -> None:
    (found,) = named([counter()], 24.5)
    assert (found.cause, found.about) == ("restarts", About.COUNT)
    assert found.title == "Supply connection or fuse clip"
    assert found.confidence is Confidence.LIKELY
    assert "2 restarts in 14 days" in text_of(found.says)
    assert "of the day is known" in text_of(found.says)
    assert found.chart.tags == ("TOT1", "RESTARTS")


def test_what_a_total_may_have_missed_is_its_greatest_rate_times_the_gap() -> None:
    (found,) = named([counter(cuts=((20.0, 20.0 + 40 / 1440),))], 21.0)
    # Four readings of ten minutes are missing: from the last one before to the first after
    # are 50 minutes, 3000 s at most at 2 pulses a second.
    assert "0 to 6\u202f000 pulses unknown" in text_of(found.says)
    assert found.confidence is Confidence.POSSIBLE


def test_a_total_that_falls_back_tells_a_restart_without_a_counter() -> None:
    assert causes([counter(counts=False, saved=17)], 24.5) == ["restarts"]


def test_a_rollover_is_no_restart() -> None:
    site = counter(cuts=(), saved=None)
    total = site.series["TOT1"][1]
    assert (np.diff(total) < 0).sum() > 3  # it wraps every 45 hours
    assert causes([site], 24.5) == []


def test_a_restart_in_maintenance_is_the_visitors() -> None:
    cut = (20.1, 20.2)
    site = replace(counter(cuts=(cut,)), quiet=((WYOMING.ms(20.0), WYOMING.ms(20.3)),))
    assert causes([site], 21.0) == []


def test_one_old_restart_is_no_news() -> None:
    assert causes([counter(cuts=(CUTS[0],))], 29.0) == []


def test_sites_that_restart_at_the_same_time_have_no_loose_connection_each() -> None:
    sites = [counter(made=replace(MADE, site_id=n)) for n in (1, 2, 3)]
    assert causes(sites, 24.5) == []


def test_restarts_of_dark_nights_are_the_batterys() -> None:
    made = Made(
        supply=replace(AGM, capacity_ah=30.0),
        capacity=lambda day: 1.0 if day < 18 else 0.02,
        days=28.0,
    )
    site = shown(made)
    at_ms, volts = site.series["VBAT"]
    back = np.concatenate(([0], np.diff(np.isnan(volts).astype(int)) < 0))
    starts = 4.0 + np.cumsum(back)
    starts[np.isnan(volts)] = np.nan
    again = shown(made, RESTARTS=(STARTS, at_ms, starts))
    assert "restarts" not in causes([again], 27.5)


# --- registers ------------------------------------------------------------------------------------


def refusing(days: float) -> Shown:
    site = level(lambda day, v: np.where(day < 20.0, v, np.nan))
    first = WYOMING.ms(20.0)
    hours = range(first, first + round(days * 24) * HOUR, HOUR)
    return replace(site, refused=dict.fromkeys(hours, 6))


def test_a_station_that_refuses_what_it_is_asked_has_another_map() -> None:
    (found,) = named([refusing(1.0)], 21.0, code=2)
    assert (found.cause, found.about) == ("wrong-registers", About.MAP)
    assert found.since_ms == WYOMING.ms(20.0)
    assert "no such register (02)" in text_of(found.says)
    assert found.confidence is Confidence.SURE


def test_one_refused_poll_is_somebody_asking_from_the_page() -> None:
    assert causes([level(lambda day, v: v)], 20.0, code=2) == []


def test_registers_a_station_does_not_have_are_named_by_their_points() -> None:
    (found,) = named([level(lambda day, v: v * np.nan)], 20.0, refused=("LVL",))
    assert text_of(found.says) == "the station does not have the registers of Level"


@pytest.mark.parametrize(("code", "cause"), [(4, ["station-failed"]), (10, ["no-path"]), (6, [])])
def test_other_exceptions_are_no_wrong_map(code: int, cause: list[str]) -> None:
    assert causes([refusing(1.0)], 21.0, code=code) == cause

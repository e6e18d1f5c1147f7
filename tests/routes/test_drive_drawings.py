"""The drawings of the sheet: scales with their numbers, gaps, hours of the local clock."""

from zoneinfo import ZoneInfo

import numpy as np
import pytest

from tallymast.domain.health.nights import Night
from tallymast.domain.model import Chemistry, Supply, SupplyKind
from tallymast.routes.drive_drawings import HourOfDay, by_local_hour, draw_hours, draw_night_chart

TODAY = 20_500
AGM = Supply(SupplyKind.SOLAR, Chemistry.AGM, 12.0, 33, disconnect_v=11.5)
HOUR = 3_600_000
DENVER = ZoneInfo("America/Denver")


def nights(volts: dict[int, float | None]) -> list[Night]:
    return [Night(TODAY - ago, one, one, None, one, None, 120) for ago, one in volts.items()]


def test_the_disconnect_and_every_tick_stand_on_one_scale() -> None:
    chart = draw_night_chart(nights({2: 12.5, 1: 12.3, 0: 12.0}), TODAY, AGM)
    assert chart is not None
    assert chart.disconnect is not None
    # 11.5 to 12.5 V in at most four steps: every half a volt, ticks at 11.5, 12.0 and 12.5.
    assert [words for _, words in chart.ticks] == ["11.5", "12.0", "12.5"]
    (bottom, _), (middle, _), (top, _) = chart.ticks
    assert top < middle < bottom
    assert chart.disconnect[0] == bottom
    assert chart.last is not None
    assert chart.last[1] == middle
    assert "12.00 V on" in chart.words
    assert "dropped at 11.5 V" in chart.words


def test_a_gap_stays_a_gap() -> None:
    chart = draw_night_chart(nights({5: 12.5, 4: 12.5, 3: None, 2: 12.4, 0: 12.3}), TODAY, AGM)
    assert chart is not None
    assert chart.line.count("M") == 3
    assert len(chart.dots) == 2


@pytest.mark.parametrize("volts", [1.7e12, 0.0, 6553.5, -40.0])
def test_a_wild_reading_does_not_fill_the_page_with_ticks(volts: float) -> None:
    chart = draw_night_chart(nights({1: 12.5, 0: volts}), TODAY, AGM)
    assert chart is not None
    assert 2 <= len(chart.ticks) <= 7


def test_without_a_night_there_is_no_drawing() -> None:
    assert draw_night_chart([], TODAY, AGM) is None
    assert draw_night_chart(nights({0: None}), TODAY, None) is None


def test_an_hour_is_the_one_on_the_local_clock() -> None:
    # 2026-03-08: clocks in Denver go from 02:00 to 03:00. 08:00 UTC is 01:00 MST, 09:00 UTC is
    # 03:00 MDT (IANA time zone database).
    begins = np.array([1_772_956_800_000, 1_772_960_400_000], np.int64)
    day = by_local_hour(begins, np.array([[60, 60, 0], [60, 30, 30]], np.int64), DENVER)
    assert day[1] == HourOfDay(1, 0.0)
    assert day[2] == HourOfDay()
    assert day[3] == HourOfDay(1, 0.5)


def test_each_day_counts_alike_however_often_it_was_asked() -> None:
    # Three days 60 of 60 answered, one day silent and asked 12 times only: a quarter, not 6 %.
    begins = np.array([n * 24 * HOUR for n in range(4)], np.int64)
    hours = np.array([[60, 60, 0]] * 3 + [[12, 0, 12]], np.int64)
    day = by_local_hour(begins, hours, ZoneInfo("UTC"))
    assert day[0] == HourOfDay(4, 0.25)
    chart = draw_hours(day)
    assert chart is not None
    assert chart.words == "Most is missed from 00:00 to 01:00: 25\u00a0% over 4 days."
    assert chart.ink == "M1 40v-10h11v10z"  # a quarter of 40
    assert chart.line == "M1 40h11"


def test_no_ink_is_nothing_missed_and_no_line_is_nobody_asked() -> None:
    chart = draw_hours([HourOfDay(3, 0.0)] + [HourOfDay()] * 23)
    assert chart is not None
    assert (chart.line, chart.ink) == ("M1 40h11", "")
    assert "Nothing was missed" in chart.words
    assert draw_hours([HourOfDay()] * 24) is None


def test_a_single_missed_poll_is_still_seen() -> None:
    chart = draw_hours([HourOfDay(14, 0.001)] + [HourOfDay(14, 0.0)] * 23)
    assert chart is not None
    assert "v-2h" in chart.ink
    assert "under 1\u00a0%" in chart.words

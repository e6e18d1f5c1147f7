"""Silence that comes every day: rows of days by hand, also over midnight and a change of clocks."""

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from tallymast.domain.health.comms.model import Outage
from tallymast.domain.health.comms.returns import returns_of

DENVER = ZoneInfo("America/Denver")
NOON = datetime(2026, 6, 20, 12, tzinfo=DENVER)


def ms(at: datetime) -> int:
    return int(at.timestamp() * 1000)


def night(day: int, off: str, back: str | None, month: int = 6) -> Outage:
    """An outage from one local time to another, the next day's if that is earlier."""
    begin = datetime.strptime(f"2026-{month}-{day} {off}", "%Y-%m-%d %H:%M").replace(tzinfo=DENVER)
    if back is None:
        return Outage(3, ms(begin), None, 99)
    end = datetime.strptime(f"2026-{month}-{day} {back}", "%Y-%m-%d %H:%M").replace(tzinfo=DENVER)
    end += timedelta(days=1) if end < begin else timedelta()
    return Outage(3, ms(begin), ms(end), 99)


def sunrise_at_five(day: int) -> int:
    there = date(1970, 1, 1) + timedelta(days=day)
    return ms(datetime(there.year, there.month, there.day, 5, tzinfo=DENVER))


FOUR = [
    night(17, "03:40", "06:10"),
    night(18, "03:20", "06:25"),
    night(19, "03:05", "06:15"),
    night(20, "02:50", "06:40"),
]


def test_four_nights_in_a_row_make_a_habit() -> None:
    found = returns_of(FOUR, sunrise_at_five, DENVER, ms(NOON))
    assert found is not None
    assert found.days == 4
    assert found.off_minute == 3 * 60 + 12  # between 03:05 and 03:20
    assert found.back_minute == 6 * 60 + 40  # of four, nine of ten are all
    assert found.after_sunrise_min == 100


def test_nine_returns_of_ten_leave_one_out() -> None:
    nights = [night(day, "03:00", "06:00") for day in range(11, 21)]
    nights[3] = night(14, "03:00", "09:30")
    found = returns_of(nights, None, DENVER, ms(NOON))
    assert found is not None
    assert (found.days, found.back_minute, found.after_sunrise_min) == (10, 360, None)


def test_a_newest_silence_that_lasts_counts_as_a_day() -> None:
    now = datetime(2026, 6, 20, 5, tzinfo=DENVER)
    found = returns_of([*FOUR[:3], night(20, "03:10", None)], sunrise_at_five, DENVER, ms(now))
    assert found is not None
    assert (found.days, found.back_minute) == (4, 6 * 60 + 25)


@pytest.mark.parametrize(
    "nights",
    [
        FOUR[2:],
        [FOUR[0], FOUR[1], FOUR[3]],
        [night(18, "03:00", "06:00"), night(19, "07:00", "08:00"), night(20, "03:00", "06:00")],
        [],
    ],
)
def test_less_than_three_days_in_a_row_are_chance(nights: list[Outage]) -> None:
    assert returns_of(nights, None, DENVER, ms(NOON)) is None


def test_a_habit_that_ended_is_not_told() -> None:
    assert returns_of(FOUR, None, DENVER, ms(NOON + timedelta(days=1))) is None


def test_another_outage_of_the_day_does_not_hide_the_habit() -> None:
    found = returns_of([*FOUR, night(20, "10:00", "10:30")], None, DENVER, ms(NOON))
    assert found is not None
    assert (found.days, found.off_minute) == (4, 192)


def test_a_habit_may_fall_on_both_sides_of_midnight() -> None:
    nights = [night(17, "23:50", "06:00"), night(19, "00:10", "06:05"), night(19, "23:40", "06:20")]
    found = returns_of(nights, None, DENVER, ms(NOON))
    assert found is not None
    assert (found.days, found.off_minute, found.back_minute) == (3, 23 * 60 + 50, 380)


def test_the_clock_on_the_wall_decides_over_a_change_of_clocks() -> None:
    # 2026-03-08 02:00 becomes 03:00
    nights = [night(day, "01:00", "07:00", month=3) for day in (6, 7, 8)]
    now = datetime(2026, 3, 8, 12, tzinfo=DENVER)
    found = returns_of(nights, None, DENVER, ms(now))
    assert found is not None
    assert (found.off_minute, found.back_minute) == (60, 420)


def test_a_site_that_comes_and_goes_all_day_has_no_habit() -> None:
    flapping = [
        night(day, f"{hour:02d}:{day}", f"{hour:02d}:59")
        for day in range(16, 21)
        for hour in range(9)
    ]
    assert returns_of(flapping, None, DENVER, ms(NOON)) is None

"""Times out of season: hand-worked instants, the turn of the year, leap days, zones."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.life.seasons import is_out, midnight_ms, span_at
from tallymast.domain.model import Season

DENVER = ZoneInfo("America/Denver")
WINTER = Season((11, 1), (4, 15))


def ms(*when: int) -> int:
    return round(datetime(*when, tzinfo=UTC).timestamp() * 1000)  # type: ignore[misc,arg-type]


def test_a_winter_lies_over_the_turn_of_the_year() -> None:
    # Denver is at UTC-6 in summer time, until 1 November 2026 02:00 and from 14 March 2027 on
    # (tz database): both midnights are 06:00 UTC.
    span = span_at(WINTER, ms(2027, 1, 10), DENVER)
    assert (span.from_ms, span.until_ms) == (ms(2026, 11, 1, 6), ms(2027, 4, 15, 6))
    assert (span.first, span.back) == (date(2026, 11, 1), date(2027, 4, 15))
    assert span.check_from == date(2027, 4, 1)


@pytest.mark.parametrize(
    ("at_ms", "out"),
    [
        (ms(2026, 11, 1, 5, 59), False),
        (ms(2026, 11, 1, 6), True),
        (ms(2026, 12, 31, 23, 59), True),
        (ms(2027, 1, 1, 7), True),
        (ms(2027, 4, 15, 5, 59), True),
        (ms(2027, 4, 15, 6), False),
    ],
)
def test_its_first_day_is_out_and_the_day_back_is_in(at_ms: int, out: bool) -> None:
    assert is_out(WINTER, at_ms, DENVER) is out


def test_in_another_zone_another_instant_begins_the_same_day() -> None:
    # Auckland is at UTC+13 on 1 November (tz database): its midnight is 11:00 UTC the day before.
    assert span_at(WINTER, ms(2026, 10, 1), ZoneInfo("Pacific/Auckland")).from_ms == ms(
        2026, 10, 31, 11
    )


def test_a_midnight_that_the_clock_skips_is_the_moment_of_the_skip() -> None:
    # Santiago went from 00:00 to 01:00 on 11 September 2022 (tz database), at 04:00 UTC.
    assert midnight_ms(date(2022, 9, 11), ZoneInfo("America/Santiago")) == ms(2022, 9, 11, 4)


def test_a_summer_lies_within_its_year_and_the_next_one_is_found() -> None:
    summer = Season((6, 1), (9, 1))
    assert span_at(summer, ms(2026, 10, 1), UTC).first == date(2027, 6, 1)


def test_29_february_is_1_march_in_other_years() -> None:
    leap = Season((2, 29), (3, 10))
    assert span_at(leap, ms(2027, 1, 1), UTC).first == date(2027, 3, 1)
    assert span_at(leap, ms(2028, 1, 1), UTC).first == date(2028, 2, 29)


def test_a_season_that_is_empty_in_common_years_is_not_a_year_long() -> None:
    only_leap = Season((2, 29), (3, 1))
    assert not is_out(only_leap, ms(2027, 3, 1), UTC)
    assert not is_out(only_leap, ms(2027, 9, 1), UTC)
    assert is_out(only_leap, ms(2028, 2, 29, 12), UTC)


@given(
    st.datetimes(datetime(2000, 1, 1), datetime(2060, 1, 1)),
    st.dates(date(2001, 1, 1), date(2001, 12, 31)),
    st.dates(date(2001, 1, 1), date(2001, 12, 31)),
)
def test_it_agrees_with_the_calendar_day_by_day(at: datetime, first: date, back: date) -> None:
    # The second form: a day is out if its (month, day) lies in the span, read as a circle.
    if first == back:
        return
    day = (at.month, at.day)
    begin, end = (first.month, first.day), (back.month, back.day)
    expected = begin <= day < end if begin < end else day >= begin or day < end
    season = Season(begin, end)
    assert is_out(season, round(at.replace(tzinfo=UTC).timestamp() * 1000), UTC) is expected


@given(st.datetimes(datetime(2000, 1, 1), datetime(2060, 1, 1)))
def test_the_span_that_is_told_ends_after_the_instant(at: datetime) -> None:
    at_ms = round(at.replace(tzinfo=UTC).timestamp() * 1000)
    span = span_at(WINTER, at_ms, DENVER)
    assert at_ms < span.until_ms <= at_ms + timedelta(days=367) // timedelta(milliseconds=1)

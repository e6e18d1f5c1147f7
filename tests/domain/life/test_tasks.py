"""When a task comes again: beside pandas, and by hand."""

from datetime import date

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.health.nights import day_number
from tallymast.domain.life.tasks import due_words, every_words, months_later, next_due


@given(st.dates(date(1990, 1, 1), date(2090, 1, 1)), st.integers(1, 120))
def test_months_are_added_as_pandas_adds_them(day: date, months: int) -> None:
    expected = (pd.Timestamp(day) + pd.DateOffset(months=months)).date()
    assert months_later(day, months) == expected


def test_the_end_of_a_month_stays_within_the_month() -> None:
    assert months_later(date(2027, 1, 31), 1) == date(2027, 2, 28)
    assert months_later(date(2027, 8, 31), 6) == date(2028, 2, 29)


def test_what_was_done_late_comes_again_from_the_day_it_was_done() -> None:
    due, done = day_number(date(2026, 3, 1)), day_number(date(2026, 4, 20))
    assert next_due(due, done, 12) == day_number(date(2027, 4, 20))
    assert next_due(due, done, None) is None


@pytest.mark.parametrize(
    ("due", "words"),
    [
        (88, "due since 12 days"),
        (99, "due since 1 day"),
        (100, "due today"),
        (103, "due in 3 days"),
    ],
)
def test_it_is_said_how_late_or_soon_it_is(due: int, words: str) -> None:
    assert due_words(due, 100) == words


def test_how_often_is_said_in_years_where_it_is_years() -> None:
    told = [every_words(n) for n in (None, 1, 6, 12, 24)]
    assert told == ["once", "every month", "every 6 months", "every year", "every 2 years"]

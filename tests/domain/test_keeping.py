"""Which copies stay, when the next is due, and for how long there is room."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.errors import ConfigError
from tallymast.domain.keeping import (
    CopyPlan,
    Keeping,
    checked_days,
    checked_plan,
    copy_instant,
    copy_name,
    days_left,
    due_since,
    staying,
)

DENVER = ZoneInfo("America/Denver")


def ms(*at: int, zone: ZoneInfo = DENVER) -> int:
    return round(datetime(*at, tzinfo=zone).timestamp() * 1000)  # type: ignore[misc,arg-type]


def test_a_copy_is_due_at_its_local_time_also_where_clocks_change() -> None:
    plan = CopyPlan("02:30")
    assert due_since(plan, ms(2026, 3, 7, 2, 29), DENVER) == ms(2026, 3, 6, 2, 30)
    assert due_since(plan, ms(2026, 3, 7, 2, 30), DENVER) == ms(2026, 3, 7, 2, 30)
    # On 2026-03-08 there is no 02:30 in Denver; the copy is due once all the same.
    due = due_since(plan, ms(2026, 3, 8, 12), DENVER)
    assert due is not None
    assert ms(2026, 3, 8, 1, 30) <= due <= ms(2026, 3, 8, 3, 30)
    assert due_since(CopyPlan(""), ms(2026, 3, 8, 12), DENVER) is None


def test_the_newest_of_each_day_week_and_month_stays() -> None:
    daily = [ms(2026, 1, 1, 2, 30) + n * 86_400_000 for n in range(100)]
    stay = staying(daily, CopyPlan("02:30", days=3, weeks=2, months=3), DENVER)
    days = sorted(f"{datetime.fromtimestamp(at / 1000, DENVER):%m-%d}" for at in stay)
    # 2026-04-10 is a Friday; ISO week 14 ended on Sunday 04-05. Months end on 02-28 and 03-31.
    assert days == ["02-28", "03-31", "04-05", "04-08", "04-09", "04-10"]


@given(
    st.lists(st.integers(0, 2_000_000_000_000), max_size=60),
    st.builds(CopyPlan, st.just("02:30"), *[st.integers(0, 9)] * 3),
)
def test_the_newest_always_stays_and_nothing_is_made_up(made: list[int], plan: CopyPlan) -> None:
    stay = staying(made, plan, DENVER)
    assert stay <= set(made)
    assert not made or max(made) in stay
    assert len(stay) <= 1 + plan.days + plan.weeks + plan.months
    assert staying(stay, plan, DENVER) == stay  # letting go twice lets nothing more go


@given(st.integers(0, 4_000_000_000))
def test_a_name_tells_its_instant(seconds: int) -> None:
    assert copy_instant(copy_name(seconds * 1000)) == seconds * 1000


def test_other_names_are_no_copies() -> None:
    for name in ("tallymast.sqlite3", "tallymast-20261301T000000Z.sqlite3", "notes.txt"):
        assert copy_instant(name) is None


def test_polls_are_given_up_by_whole_days_and_only_from_when_it_holds() -> None:
    noon = round(datetime(2026, 3, 8, 12, tzinfo=UTC).timestamp() * 1000)
    midnight = noon - timedelta(hours=12) // timedelta(milliseconds=1)
    assert Keeping().cutoff_ms(noon) is None
    assert Keeping(40, noon + 1).cutoff_ms(noon) is None
    assert Keeping(40, noon).cutoff_ms(noon) == midnight - 40 * 86_400_000


@pytest.mark.parametrize("text", ["34", "-1", "x", "1e3", "40000", "٣٦٥"])
def test_what_cannot_be_kept_is_refused(text: str) -> None:
    with pytest.raises(ConfigError, match="cannot be kept"):
        checked_days(text)


def test_plans_as_written() -> None:
    assert checked_plan(" 23:59 ", 1, 0, 0) == CopyPlan("23:59", 1, 0, 0)
    assert checked_plan("", 0, 0, 0).words() == "no backups by themselves"
    with pytest.raises(ConfigError):
        checked_plan("2:30", 7, 4, 6)
    with pytest.raises(ConfigError):
        checked_plan("02:30", 7, -1, 6)


def test_room_lasts_as_long_as_it_takes_to_fill() -> None:
    assert days_left(10_000_000, 2_500_000) == 4
    assert days_left(10_000_000, 0) is None

"""Which period is looked at, and which one it is held against.

Periods are whole contract days: of the running one as much as has gone. The period before has
as many days and ends where this one begins; a month is held against the month before it.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from tallymast.domain.local_times import MONTHS
from tallymast.domain.record.days import Contract, begin_of, date_of
from tallymast.domain.record.months import month_after, month_before
from tallymast.routes.formats import plural
from tallymast.routes.problems import Problem

Name = Literal["", "7-days", "30-days", "this-month", "last-month", "90-days", "days"]
Order = Literal["worst", "name", "answered", "first-try", "change", "outages", "down", "p95"]
PERIODS: Final = (
    ("7-days", "last 7 days"),
    ("30-days", "last 30 days"),
    ("this-month", "this month"),
    ("last-month", "last month"),
    ("90-days", "last 90 days"),
    ("days", "the days below"),
)
LONGEST_DAYS: Final = 366  # ours: as much again is read for the period before
_LAST: Final = {"7-days": 7, "30-days": 30, "90-days": 90}
DAY: Final = timedelta(days=1)


class Wish(BaseModel):
    """What is asked for in the address: the period, whose sites, in which order."""

    model_config = ConfigDict(populate_by_name=True)

    period: Name = ""
    begin: str = Field(default="", alias="from", max_length=10)
    end: str = Field(default="", alias="to", max_length=10)
    where: str = Field(default="", max_length=200)
    order: Order = "worst"
    was: str = Field(default="", max_length=20)  # the period the form was shown with

    @property
    def name(self) -> Name:
        """The period's name; days that are given beside an unchanged choice are meant."""
        if (self.begin or self.end) and self.period in ("", self.was):
            return "days"
        return self.period or "30-days"


@dataclass(frozen=True, slots=True)
class Period:
    """``from_ms <= t < to_ms``, and the period before, ``before_ms <= t < from_ms``.

    Attributes:
        name: what it was chosen by.
        from_ms: where it begins, UTC milliseconds.
        to_ms: where it ends, or now while it goes on.
        before_ms: where the period before begins.
        first: its first contract day.
        last: its last one.
        words: what to call it: ``the last 30 days``.
        before: what to call the one before: ``the 30 days before``.
        goes_on: whether its last day has not ended.
        is_whole: whether it begins with a contract day and ends with one, or now.

    """

    name: str
    from_ms: int
    to_ms: int
    before_ms: int
    first: date
    last: date
    words: str
    before: str
    goes_on: bool
    is_whole: bool = True

    @property
    def days(self) -> int:
        """How many contract days it has, the running one counted."""
        return (self.last - self.first).days + 1


def the_period(wish: Wish, contract: Contract, now_ms: int) -> Period:
    """Return the period a wish names.

    Raises:
        Problem: 422, days that are none, the wrong way round, to come, or too many.

    """
    days = _days(wish, date_of(now_ms, contract))
    return _period(wish.name, days, contract, now_ms)


def month_period(month: date, contract: Contract, now_ms: int) -> Period:
    """Return a calendar month, by its first day; it is held against the month before it."""
    days = (month, month_after(month) - DAY, month_before(month))
    return _period("month", days, contract, now_ms)


def _period(name: str, days: tuple[date, date, date], contract: Contract, now_ms: int) -> Period:
    """Return whole days: the first, the last, and the first of the period before."""
    first, last, before = days
    words, before_words = _words(name, first, last, before)
    end_ms, today = begin_of(last + DAY, contract), date_of(now_ms, contract)
    return Period(
        name,
        begin_of(first, contract),
        min(end_ms, now_ms),
        begin_of(before, contract),
        first,
        min(last, today),
        words,
        before_words,
        goes_on=end_ms > now_ms,
    )


def span_period(from_ms: int, to_ms: int, contract: Contract, now_ms: int) -> Period:
    """Return any span as a period; the one before is as long."""
    end_ms = max(from_ms, min(to_ms, now_ms))
    first, last = date_of(from_ms, contract), date_of(max(end_ms - 1, from_ms), contract)
    starts = begin_of(first, contract) == from_ms
    ends = to_ms > now_ms or begin_of(date_of(to_ms, contract), contract) == to_ms
    begun = 2 * from_ms - to_ms
    follows = begin_of(date_of(begun, contract), contract) == begun
    return Period(
        "span",
        from_ms,
        end_ms,
        begun,
        first,
        last,
        "the span",
        "the span before",
        goes_on=to_ms > now_ms,
        is_whole=starts and ends and follows,
    )


def _days(wish: Wish, today: date) -> tuple[date, date, date]:
    """Return the first and the last day, and the first day of the period before."""
    month = today.replace(day=1)
    if wish.name == "this-month":
        return month, today, month_before(month)
    if wish.name == "last-month":
        first = month_before(month)
        return first, month - DAY, month_before(first)
    if wish.name in _LAST:
        n = timedelta(days=_LAST[wish.name])
        return today - n + DAY, today, today - 2 * n + DAY
    first, last = _own(wish, today)
    return first, last, first - (last - first) - DAY


def _own(wish: Wish, today: date) -> tuple[date, date]:
    first = the_day(wish.begin or wish.end, "From")
    last = min(the_day(wish.end, "To"), today) if wish.end else today
    if first > today:
        raise Problem(422, "The period begins in the future; nothing is known of it yet.")
    if first > last:
        raise Problem(422, "The first day lies after the last one.")
    if (last - first).days >= LONGEST_DAYS:
        raise Problem(422, f"A period may be {LONGEST_DAYS} days long at most.")
    if first.year < 1972:  # where the two periods would begin before 1970
        raise Problem(422, "From lies before anything could be recorded.")
    return first, last


def the_day(text: str, field: str) -> date:
    """Return the day a text names.

    Raises:
        Problem: 422, it names none.

    """
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        said = f"is {text!r}, which is no day" if text else "is empty"
        raise Problem(422, f"{field} {said}; write one like 2026-03-08.") from error


def _words(name: str, first: date, last: date, before: date) -> tuple[str, str]:
    if name in ("this-month", "last-month", "month"):
        return month_words(first), month_words(before)
    days = (last - first).days + 1
    before_words = f"the {plural(days, 'day')} before"
    if name in _LAST:
        return f"the last {days} days", before_words
    return (f"the {days} days" if days > 1 else "the day"), before_words


def month_words(day: date) -> str:
    """Return the month of a day, ``Oct 2026``."""
    return f"{MONTHS[day.month - 1]} {day.year}"


def day_words(day: date) -> str:
    """Return a day without its year, ``26 Oct``."""
    return f"{day.day} {MONTHS[day.month - 1]}"

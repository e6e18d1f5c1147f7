"""How much a permit leaves, and when it may be used up: as a range, from the days before.

The forecast repeats what earlier days took: its low end is a mild rest of the period, its high
end a heavy one, and what is unknown of the period so far counts at the high end only.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from math import inf
from random import Random
from typing import Final

from tallymast.domain.totals.units import spoken

LEAST_DAYS: Final = 7  # ours: from fewer days no range is told
_DRAWS: Final = 2000
_LOW, _HIGH = 0.1, 0.9  # ours: as the battery's forecast speaks


class Period(StrEnum):
    """For how long a permit's amount is."""

    DAY = "day"
    MONTH = "month"


@dataclass(frozen=True, slots=True)
class Permit:
    """How much may be taken in each contract day or month [unit] at some points together."""

    id: int
    name: str
    period: Period
    amount: Fraction
    unit: str
    point_ids: tuple[int, ...]
    from_ms: int
    at_ms: int
    actor: str
    note: str = ""
    retired_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Outlook:
    """How a permit's period may end [unit of the permit].

    Attributes:
        limit: what may be taken.
        taken: what is known to be taken so far.
        unknown: the most that was taken besides; None: no bound is known.
        low: the period's end at its mildest; None: too few days to tell.
        high: at its heaviest.
        chance: share of drawn ends beyond the limit, 0..1; None likewise.
        soonest_days: in so many days the limit may be reached; None: not in this period, or too
            few days to tell.
        latest_days: at the latest in so many; None: perhaps not in this period.
        days_left: how long the period goes on.

    """

    limit: float
    taken: float
    unknown: float | None
    low: float | None = None
    high: float | None = None
    chance: float | None = None
    soonest_days: float | None = None
    latest_days: float | None = None
    days_left: float = 0.0

    @property
    def is_reached(self) -> bool:
        """Whether all that may be taken is known to be taken."""
        return self.taken >= self.limit

    @property
    def is_over(self) -> bool:
        """Whether more is known to be taken than may be."""
        return self.taken > self.limit

    @property
    def may_be_over(self) -> bool:
        """Whether what is unknown may already be beyond the limit."""
        return self.unknown is None or self.taken + self.unknown > self.limit


def outlook(
    limit: float,
    taken: float,
    unknown: float | None,
    earlier: Sequence[float],
    days_left: float,
    seed: int = 1,
) -> Outlook:
    """Return how a period may end.

    Args:
        limit: what may be taken in it.
        taken: what is known to be taken so far.
        unknown: the most that was taken besides; None: no bound is known.
        earlier: what whole earlier days took, those wholly known; the newest weeks.
        days_left: how many days of the period are left, parts too.
        seed: of the draws, so that a page tells the same twice.

    Days are drawn from the earlier ones as they were, with repetition (bootstrap, Efron 1979).

    """
    if len(earlier) < LEAST_DAYS or days_left < 0:
        return Outlook(limit, taken, unknown, days_left=max(0.0, days_left))
    lot, besides = Random(seed), unknown or 0.0
    whole = int(days_left)
    courses = [
        [*lot.choices(earlier, k=whole), (days_left - whole) * lot.choice(earlier)]
        for _ in range(_DRAWS)
    ]
    ends = sorted(taken + sum(course) for course in courses)
    low, high = ends[int(_LOW * _DRAWS)], ends[int(_HIGH * _DRAWS)]
    beyond = sum(end + besides > limit for end in ends) / _DRAWS
    soon = sorted(_reached(limit - taken - besides, course, days_left) for course in courses)
    late = sorted(_reached(limit - taken, course, days_left) for course in courses)
    soonest, latest = soon[int(_LOW * _DRAWS)], late[int(_HIGH * _DRAWS)]
    return Outlook(
        limit,
        taken,
        unknown,
        low,
        high + besides,
        beyond,
        None if soonest == inf else soonest,
        None if latest == inf else latest,
        days_left,
    )


def _reached(room: float, course: Sequence[float], days_left: float) -> float:
    """Return after how many days of a course an amount is used up; infinite: not in it."""
    if room <= 0:
        return 0.0
    for n, day in enumerate(course):
        if day >= room:
            long = min(1.0, days_left - n)
            return n + long * room / day
        room -= day
    return inf


def words(one: Outlook, unit: str) -> str:
    """Return in a sentence how a permit stands."""
    of = f"{spoken(one.taken)} of {spoken(one.limit)} {unit}"
    if one.is_over:
        return f"Over: {of} taken."
    open_end = "" if one.unknown is not None else " What is unknown of it has no bound."
    unsure = (
        f" {spoken(one.unknown)} {unit} more may have passed unseen." if one.unknown else open_end
    )
    if one.low is None or one.high is None:
        return f"{of} taken; fewer than {LEAST_DAYS} whole days to tell how it ends.{unsure}"
    ends = f"it ends at {spoken(one.low)} to {spoken(one.high)} {unit}"
    if one.low > one.limit:
        return f"{of} taken; {ends}: beyond the limit.{unsure}"
    verdict = "may go beyond the limit" if one.high > one.limit else "within the limit"
    return f"{of} taken; {ends}: {verdict}.{unsure}"


def range_words(one: Outlook, period: Period) -> str:
    """Return in a sentence when the limit may be reached; empty where it is, or nothing is known.

    A range, as the days before were: never one day.
    """
    if one.is_reached or one.low is None:
        return ""
    rest = f"the {period} goes on for {_days(one.days_left)}"
    if one.soonest_days is None:
        return f"The limit is not reached as the days before were; {rest}."
    if one.latest_days is None:
        soonest = f"in {_days(one.soonest_days)} at the soonest" if one.soonest_days else "already"
        return f"The limit may be reached {soonest}, or not in this {period}; {rest}."
    if not one.soonest_days:
        return f"The limit may be reached already, or in {_days(one.latest_days)}; {rest}."
    first, last = _days(one.soonest_days), _days(one.latest_days)
    told = first if first == last else f"{first.removesuffix(' days')} to {last}"
    return f"The limit is reached in {told}; {rest}."


def _days(days: float) -> str:
    if days < 2:
        hours = round(24 * days)
        return f"{hours} hour{'s' if hours != 1 else ''}"
    return f"{days:.0f} days"

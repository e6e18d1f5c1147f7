"""How much a permit leaves, and when it may be used up: as a range, from the days before.

The forecast repeats what earlier days took: its low end is a mild rest of the period, its high
end a heavy one, and what is unknown of the period so far counts at the high end only.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from random import Random
from typing import Final

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

    """

    limit: float
    taken: float
    unknown: float | None
    low: float | None = None
    high: float | None = None
    chance: float | None = None

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
        return Outlook(limit, taken, unknown)
    lot, whole = Random(seed), int(days_left)
    rest = days_left - whole
    ends = sorted(
        taken + sum(lot.choices(earlier, k=whole)) + rest * lot.choice(earlier)
        for _ in range(_DRAWS)
    )
    low, high = ends[int(_LOW * _DRAWS)], ends[int(_HIGH * _DRAWS)]
    beyond = sum(end + (unknown or 0.0) > limit for end in ends) / _DRAWS
    return Outlook(limit, taken, unknown, low, high + (unknown or 0.0), beyond)


def words(one: Outlook, unit: str) -> str:
    """Return in a sentence how a permit stands."""
    of = f"{one.taken:.4g} of {one.limit:.4g} {unit}"
    if one.is_over:
        return f"Over: {of} taken."
    open_end = "" if one.unknown is not None else " What is unknown of it has no bound."
    unsure = f" {one.unknown:.4g} {unit} more may have passed unseen." if one.unknown else open_end
    if one.low is None or one.high is None:
        return f"{of} taken; fewer than {LEAST_DAYS} whole days to tell how it ends.{unsure}"
    ends = f"it ends at {one.low:.4g} to {one.high:.4g} {unit}"
    if one.low > one.limit:
        return f"{of} taken; {ends}: beyond the limit.{unsure}"
    verdict = "may go beyond the limit" if one.high > one.limit else "within the limit"
    return f"{of} taken; {ends}: {verdict}.{unsure}"

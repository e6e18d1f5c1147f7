"""A meter's mechanical index, read by hand, beside what was counted since the reading before.

It tells the difference and no more: which of the two is wrong, an index or a pulse, is for who
stands there. A pulse counts uncorrected volume: figures are operational, not custody transfer.
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from tallymast.domain.totals.factors import Volume
from tallymast.domain.totals.units import converted, spoken

OPERATIONAL: Final = "operational figure, not custody transfer"
_AGREES: Final = Fraction(1, 100)  # ours: a water meter's usual error is 2 %; half of that agrees


@dataclass(frozen=True, slots=True)
class IndexReading:
    """What an index said.

    Attributes:
        read_ms: when it was read, UTC milliseconds.
        index: what it said [unit], exactly as read.
        begins: whether another index begins here, so that the one before says nothing of it.

    """

    id: int
    point_id: int
    read_ms: int
    index: Fraction
    unit: str
    begins: bool
    at_ms: int
    actor: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Reconciled:
    """What an index and a station counted between two readings of the index [unit of the index].

    Attributes:
        from_ms: the earlier reading.
        to_ms: the later one.
        by_index: what the index counted.
        counted: what the station counted, as volume.
        known_share: for which share of the time it is known what the station counted, 0..1.

    """

    from_ms: int
    to_ms: int
    unit: str
    by_index: Fraction
    counted: Volume
    known_share: float

    @property
    def difference(self) -> Fraction:
        """By how much the station counted more than the index; below 0: less."""
        return self.counted.amount - self.by_index

    @property
    def share(self) -> float | None:
        """The difference as a share of what the index counted; None where that is nothing."""
        return float(self.difference / self.by_index) if self.by_index else None

    @property
    def explained(self) -> bool:
        """Whether what is unknown of the station's count may be the difference."""
        above = (self.counted.unknown, self.counted.unproven)
        if None in above:
            return self.difference <= 0
        most = sum((one for one in above if one is not None), Fraction(0))
        return 0 <= -self.difference <= most


def reconciled(
    before: IndexReading, after: IndexReading, counted: Volume, known_share: float
) -> Reconciled | None:
    """Return the two side by side; None where the index is another, fell, or has another unit.

    Args:
        before: the earlier reading of the index.
        after: the later one.
        counted: what the station counted between them.
        known_share: for which share of the time that is known.

    """
    first = converted(before.index, before.unit, after.unit)
    if after.begins or first is None or after.index < first:
        return None
    parts = [counted.amount, counted.estimated, counted.unknown, counted.unproven]
    told = [None if one is None else converted(one, counted.unit, after.unit) for one in parts]
    if told[0] is None or told[1] is None:
        return None
    volume = Volume(after.unit, told[0], told[1], told[2], told[3])
    span = (before.read_ms, after.read_ms)
    return Reconciled(*span, after.unit, after.index - first, volume, known_share)


def words(one: Reconciled) -> str:
    """Return in a sentence how index and station agree."""
    share = one.share
    if share is None:
        counted = spoken(float(one.counted.amount))
        return f"The index did not move; the station counted {counted} {one.unit}."
    more = "more" if one.difference > 0 else "less"
    apart = spoken(abs(float(one.difference)))
    told = (
        f"The station counted {apart} {one.unit} {more} than the index, "
        f"{100 * abs(share):.2f} % of {spoken(float(one.by_index))} {one.unit}"
    )
    if abs(share) <= float(_AGREES):
        return f"{told}: they agree within 1 %."
    if one.explained:
        return f"{told}: what is unknown of the station's count may be all of it."
    if one.known_share < 1:
        return f"{told}; of {100 * (1 - one.known_share):.1f} % of the time no count is known."
    return f"{told}. Look at the factor, the pulse wiring and the index itself."

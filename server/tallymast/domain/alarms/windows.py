"""Alarms counted by ten minutes: floods, the busiest ten minutes, the hours that are too full.

Windows of ten minutes lie end to end from the start of the span, and one that the span cuts off
at its end is no window. Source of the marks: ANSI/ISA-18.2 and EEMUA 191 (secondary restatement);
that a flood ends below five in ten minutes is from memory.
"""

from collections.abc import Sequence
from dataclasses import dataclass

TEN_MIN_MS = 600_000
HOUR_MS = 3_600_000
FLOOD_FROM = 10  # a flood starts above so many in ten minutes
FLOOD_ENDS_BELOW = 5
FULL_HOUR = 30  # an hour with more than that many is too full for one operator


@dataclass(frozen=True, slots=True)
class Flood:
    """A span of windows that an operator cannot follow; UTC ms, and how many alarms it held."""

    from_ms: int
    to_ms: int
    alarms: int

    @property
    def windows(self) -> int:
        """How many windows of ten minutes it lasted."""
        return (self.to_ms - self.from_ms) // TEN_MIN_MS


def counts(at_ms: Sequence[int], from_ms: int, to_ms: int, width_ms: int = TEN_MIN_MS) -> list[int]:
    """Return how many of the times fall into each whole window of the span."""
    windows = [0] * max((to_ms - from_ms) // width_ms, 0)
    for at in at_ms:
        place = (at - from_ms) // width_ms
        if 0 <= place < len(windows):
            windows[place] += 1
    return windows


def floods(windows: Sequence[int], from_ms: int) -> tuple[Flood, ...]:
    """Return the floods in counts of windows end to end, oldest first."""
    found: list[Flood] = []
    began: int | None = None
    for place, count in enumerate([*windows, 0]):
        if began is None and count > FLOOD_FROM:
            began = place
        elif began is not None and count < FLOOD_ENDS_BELOW:
            alarms = sum(windows[began:place])
            start, end = from_ms + began * TEN_MIN_MS, from_ms + place * TEN_MIN_MS
            found.append(Flood(start, end, alarms))
            began = None
    return tuple(found)


def busiest(at_ms: Sequence[int], width_ms: int = TEN_MIN_MS) -> tuple[int, int | None]:
    """Return the most times in any stretch of the width, and when it began; not by windows.

    Args:
        at_ms: ascending.
        width_ms: a stretch holds what is less than so far from its first.

    """
    most, began, first = 0, None, 0
    for last, at in enumerate(at_ms):
        while at - at_ms[first] >= width_ms:
            first += 1
        if last - first + 1 > most:
            most, began = last - first + 1, at_ms[first]
    return most, began


def share(windows: Sequence[int], above: int) -> float | None:
    """Return the share of windows with more than so many, 0..1; None where there is no window."""
    return sum(count > above for count in windows) / len(windows) if windows else None


def rate_words(per_ten_min: float) -> str:
    """Return what an average rate asks of one operator.

    Source: EEMUA 191 (secondary restatement) at 1, 2, 5 and 10 in ten minutes; ours: between 2 and
    5 it is more than manageable.
    """
    if per_ten_min > 10:
        return "very likely unacceptable"
    if per_ten_min >= 5:
        return "over-demanding"
    if per_ten_min > 2:
        return "more than manageable"
    return "manageable" if per_ten_min >= 1 else "acceptable"


def upset_words(alarms: int) -> str:
    """Return what the busiest ten minutes asked of one operator.

    Source: EEMUA 191 (secondary restatement): over 100 after an upset, 20 to 100, below 10; ours:
    from 10 to 19 it is demanding.
    """
    if alarms > 100:
        return "excessive"
    if alarms >= 20:
        return "hard to cope with"
    return "demanding" if alarms >= 10 else "manageable"

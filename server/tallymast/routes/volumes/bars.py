"""Draws a row of days: a bar as high as the volume, an outline up to what it may have been.

A line runs under every day of which something is known. A day that is not known has neither
line nor bar but a cross, so that a gap never looks like a day without flow.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from tallymast.routes.volumes.words import reach
from tallymast.storage.volume_days import Told


@dataclass(frozen=True, slots=True)
class Size:
    """How wide a day is and how high the highest."""

    step: int
    height: int

    @property
    def wide(self) -> int:
        """How wide a bar is."""
        return self.step - max(2, self.step // 5)


_BEYOND: Final = 1.5  # ours: as far above the largest known day a drawing reaches
SMALL: Final = Size(6, 24)
LARGE: Final = Size(20, 120)


@dataclass(frozen=True, slots=True)
class Bars:
    """A drawing as SVG path commands, and the same in words.

    Attributes:
        width: of the drawing.
        height: likewise.
        line: under the days that are known.
        bars: what is known to have passed.
        more: outlines of what may have passed besides.
        gaps: crosses: days that are not known, wholly or in part.
        words: what it shows.
        top: the volume at its upper end.

    """

    width: int
    height: int
    line: str
    bars: str
    more: str
    gaps: str
    words: str
    top: float


def draw(days: Sequence[Told], slots: int, *, size: Size = SMALL, both_ways: bool = False) -> Bars:
    """Return the drawing of consecutive days.

    Args:
        days: those that have begun, ascending.
        slots: for how many days there is room.
        size: of a day.
        both_ways: whether the meter also counts down.

    """
    ways = [_ends(one, both_ways=both_ways) for one in days]
    top = _top(ways)
    line = bars = more = gaps = ""
    for place, (one, (least, most)) in enumerate(zip(days, ways, strict=True)):
        left = place * size.step + (size.step - size.wide) // 2
        known_ms = one.counted.known_ms
        low = _high(least, top, size) if known_ms > 0 else 0
        high = low if most is None else _high(most, top, size)
        if known_ms > 0:
            line += f"M{place * size.step} {size.height}h{size.step}"
        bars += _box(left, low, size)
        if high > low:
            more += _outline(left, low, high, size, is_open=most is not None and most > top)
        if most is None:
            gaps += _cross(left, low, size)
    return Bars(slots * size.step, size.height, line, bars, more, gaps, words(days), top)


def words(days: Sequence[Told]) -> str:
    """Return of how many days how much is known."""
    whole = sum(one.counted.known_ms >= one.counted.span_ms for one in days)
    none = sum(one.counted.known_ms <= 0 for one in days)
    part = len(days) - whole - none
    told = [f"{whole} of {len(days)} days known"]
    told += [f"{part} in part"] if part else []
    told += [f"{none} unknown"] if none else []
    return ", ".join(told)


def _ends(one: Told, *, both_ways: bool) -> tuple[float, float | None]:
    """Return what is known to have passed and the most that may have; exact enough to draw."""
    each, counted = one.each, one.counted
    if each is None or both_ways:
        way = reach(one, both_ways=both_ways)
        return float(one.booked.total), None if way.high is None else float(way.high)
    low = counted.pulses * float(each)
    if one.loose_ms > 0 or counted.unknown is None:
        return low, None
    return low, low + counted.unknown * float(each)


def _top(ways: Sequence[tuple[float, float | None]]) -> float:
    """Return the volume at the upper end: of the largest, but bounds alone must not dwarf bars."""
    low = max((abs(least) for least, _ in ways), default=0.0)
    high = max((abs(most) for _, most in ways if most is not None), default=0.0)
    return (min(max(low, high), _BEYOND * low) if low else high) or 1.0


def _high(value: float, top: float, size: Size) -> int:
    """Return how high a volume stands; one that is not 0 is seen."""
    return min(max(round(size.height * abs(value) / top), 1 if value else 0), size.height)


def _box(left: int, high: int, size: Size) -> str:
    return f"M{left} {size.height}v-{high}h{size.wide}v{high}z" if high else ""


def _outline(left: int, low: int, high: int, size: Size, *, is_open: bool) -> str:
    """Return the outline above a bar; open at the top where it goes on beyond the drawing."""
    foot, top = size.height - low, size.height - high + 0.5
    if is_open:
        return f"M{left + 0.5} {foot}V0M{left + size.wide - 0.5} {foot}V0"
    return f"M{left + 0.5} {foot}V{top}h{size.wide - 1}V{foot}"


def _cross(left: int, low: int, size: Size) -> str:
    """Return a cross above a bar, or at the foot where there is none."""
    wide = min(size.wide, 8)
    foot = size.height - min(low + 1, size.height - wide) - 0.5
    left += (size.wide - wide) // 2
    return f"M{left} {foot}l{wide}-{wide}M{left} {foot - wide}l{wide} {wide}"

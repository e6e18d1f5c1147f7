"""Draws a row of days: a bar as high as the volume, an outline up to what it may have been.

A line runs under every day of which something is known. A day that is not known has neither
line nor bar but a cross, so that a gap never looks like a day without flow.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
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
    top: Fraction


def draw(days: Sequence[Told], slots: int, *, size: Size = SMALL, both_ways: bool = False) -> Bars:
    """Return the drawing of consecutive days.

    Args:
        days: those that have begun, ascending.
        slots: for how many days there is room.
        size: of a day.
        both_ways: whether the meter also counts down.

    """
    ways = [reach(one, both_ways=both_ways) for one in days]
    seen = [abs(end) for way in ways for end in (way.low, way.high) if end is not None]
    top = max(seen, default=Fraction(0)) or Fraction(1)
    line = bars = more = gaps = ""
    for place, (one, way) in enumerate(zip(days, ways, strict=True)):
        left = place * size.step + (size.step - size.wide) // 2
        known_ms = one.booked.counted.known_ms
        low = _high(one.booked.total, top, size) if known_ms > 0 else 0
        high = low if way.high is None else _high(way.high, top, size)
        if known_ms > 0:
            line += f"M{place * size.step} {size.height}h{size.step}"
        bars += _box(left, low, size)
        if high > low:
            more += _outline(left, low, high, size)
        if way.high is None:
            gaps += _cross(left, low, size)
    return Bars(slots * size.step, size.height, line, bars, more, gaps, words(days), top)


def words(days: Sequence[Told]) -> str:
    """Return of how many days how much is known."""
    whole = sum(one.booked.counted.known_ms >= one.booked.counted.span_ms for one in days)
    none = sum(one.booked.counted.known_ms <= 0 for one in days)
    part = len(days) - whole - none
    told = [f"{whole} of {len(days)} days known"]
    told += [f"{part} in part"] if part else []
    told += [f"{none} unknown"] if none else []
    return ", ".join(told)


def _high(value: Fraction, top: Fraction, size: Size) -> int:
    """Return how high a volume stands; one that is not 0 is seen."""
    return min(max(round(size.height * abs(value) / top), 1 if value else 0), size.height)


def _box(left: int, high: int, size: Size) -> str:
    return f"M{left} {size.height}v-{high}h{size.wide}v{high}z" if high else ""


def _outline(left: int, low: int, high: int, size: Size) -> str:
    foot, top = size.height - low, size.height - high + 0.5
    return f"M{left + 0.5} {foot}V{top}h{size.wide - 1}V{foot}"


def _cross(left: int, low: int, size: Size) -> str:
    """Return a cross above a bar, or at the foot where there is none."""
    wide = min(size.wide, 8)
    foot = size.height - min(low + 1, size.height - wide) - 0.5
    left += (size.wide - wide) // 2
    return f"M{left} {foot}l{wide}-{wide}M{left} {foot - wide}l{wide} {wide}"

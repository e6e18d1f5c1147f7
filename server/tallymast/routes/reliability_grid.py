"""Draws at which hours polls are missed at the first try: hours across, days or weekdays down.

Every day is a string: a line as long as its record, and on it a bead for every hour whose area
grows with the share missed at the first try. An hour nobody asked in leaves a gap with a tick.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta, tzinfo
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.local_times import MONTHS, offsets_ms
from tallymast.domain.record.days import HOURLY
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.routes.formats import DAYS, number, share

Ints = NDArray[np.int64]

LEFT, TOP, WIDE, HIGH = 74, 20, 26, 18
BEAD: Final = 8.6  # radius of the largest bead
SCALES: Final = (0.05, 0.1, 0.25, 0.5, 1.0)  # what the largest bead may stand for
_LEAST: Final = 0.9  # a bead that can be seen
MOST_DAYS: Final = 32  # more are shown by weekday
_DAY_MS: Final = 24 * HOUR_MS
_EPOCH: Final = date(1970, 1, 1).toordinal()


@dataclass(frozen=True, slots=True)
class Line:
    """One day or weekday: its name, its height, SVG path commands, and what it comes to."""

    name: str
    y: int
    line: str
    beads: str
    ticks: str
    words: str


@dataclass(frozen=True, slots=True)
class Grid:
    """The whole drawing.

    Attributes:
        lines: from the top down.
        width: of the view box.
        height: of it.
        by_hour: hour of the day, share missed at the first try in words, polls asked; what a
            reader who does not see the drawing gets.
        rows_are: ``days`` or ``weekdays``.
        full: the share in per cent that the largest bead stands for.

    """

    lines: tuple[Line, ...]
    width: int
    height: int
    by_hour: tuple[tuple[str, str, str], ...]
    rows_are: str
    full: int

    @property
    def hours(self) -> list[tuple[int, str]]:
        """Where an hour's name stands, and the name."""
        return [(LEFT + WIDE * hour, f"{hour:02d}") for hour in range(0, 24, 3)]


def scale_of(parts: Sequence[Ints]) -> float:
    """Return the share that the largest bead of some drawings stands for, from their hours."""
    worst = 0.0
    for cells in parts:
        asked = np.maximum(cells[:, 0], 1)
        worst = max(worst, float(((cells[:, 0] - cells[:, 1]) / asked).max(initial=0.0)))
    return next(scale for scale in SCALES if worst <= scale)


def draw_grid(
    at_ms: Ints, cells: Ints, span: tuple[int, int], zone: tzinfo, scale: float | None = None
) -> Grid:
    """Return the drawing of a period.

    Args:
        at_ms: when each hour begins, UTC milliseconds, shape (n,).
        cells: polls asked, answered at the first try, missed; shape (n, 3).
        span: begin and end of the period, UTC milliseconds.
        zone: whose hours of the day are meant.
        scale: the share the largest bead stands for; None: what these hours need.

    """
    full = scale_of([cells]) if scale is None else scale
    first, last = places(np.array([span[0], span[1] - 1]), zone)[0]
    days, hours = places(at_ms, zone)
    by_day = last - first < MOST_DAYS
    rows = days - first if by_day else (days + 3) % 7  # 1 January 1970 was a Thursday
    count = int(last - first + 1) if by_day else 7
    added = np.zeros((count * 24, len(HOURLY)), np.int64)
    inside = (rows >= 0) & (rows < count)
    np.add.at(added, (rows * 24 + hours)[inside], cells[inside])
    table = added.reshape(count, 24, len(HOURLY))
    names = _dates(int(first), count) if by_day else list(DAYS)
    lines = tuple(_line(names[n], n, table[n], full) for n in range(count))
    height = TOP + HIGH * count + 6
    by_hour = tuple(_hour_words(hour, table[:, hour].sum(axis=0)) for hour in range(24))
    return Grid(
        lines,
        LEFT + WIDE * 24 + 6,
        height,
        by_hour,
        "days" if by_day else "weekdays",
        round(100 * full),
    )


def places(at_ms: Ints, zone: tzinfo) -> tuple[Ints, Ints]:
    """Return the local days, counted from 1970, and the hours of the day instants lie in."""
    there = at_ms + offsets_ms(at_ms, zone)
    return there // _DAY_MS, there % _DAY_MS // HOUR_MS


def _dates(first: int, count: int) -> list[str]:
    some = [date.fromordinal(_EPOCH + first) + timedelta(days=n) for n in range(count)]
    return [f"{DAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]}" for day in some]


def _line(name: str, place: int, cells: Ints, full: float) -> Line:
    y = TOP + HIGH * place + HIGH // 2
    asked = cells[:, 0]
    missed = asked - cells[:, 1]
    line, ticks, beads = "", "", ""
    for hour in range(24):
        x = LEFT + WIDE * hour
        if not asked[hour]:
            ticks += f"M{x + WIDE // 2 - 2} {y + 2}l4-4"
            continue
        line += f"M{x} {y}h{WIDE}"
        if missed[hour]:
            beads += _bead(x + WIDE // 2, y, missed[hour] / asked[hour] / full)
    return Line(name, y, line, beads, ticks, _words(name, asked, missed))


def _bead(x: int, y: int, part: float) -> str:
    """Return a disc whose area is that share of the whole one's."""
    r = f"{max(BEAD * math.sqrt(part), _LEAST):.1f}"
    across = f"{2 * float(r):.1f}"
    return f"M{x} {y}m-{r} 0a{r} {r} 0 1 0 {across} 0a{r} {r} 0 1 0-{across} 0"


def _words(name: str, asked: Ints, missed: Ints) -> str:
    if not asked.any():
        return f"{name}: no record"
    parts = np.where(asked > 0, missed / np.maximum(asked, 1), 0.0)
    worst = int(parts.argmax())
    said = f"{name}: {_share(missed.sum(), asked.sum())} missed at the first try"
    if missed[worst]:
        said += f"; most from {worst:02d}:00, {_share(missed[worst], asked[worst])}"
    return said


def _hour_words(hour: int, cells: Ints) -> tuple[str, str, str]:
    asked, first = int(cells[0]), int(cells[1])
    words = _share(asked - first, asked) if asked else "unknown"
    return f"{hour:02d}:00", words, number(asked)


def _share(part: int, whole: int) -> str:
    return share(int(part), int(whole)) if part else "0\u00a0%"


def added_up(parts: Sequence[tuple[Ints, Ints]]) -> tuple[Ints, Ints]:
    """Return several sites' hours as one: when each begins, and its polls added up."""
    some = [(at_ms, cells) for at_ms, cells in parts if len(at_ms)]
    if not some:
        return np.zeros(0, np.int64), np.zeros((0, len(HOURLY)), np.int64)
    # Hours lie on a common raster unless a contract zone is off by half an hour: then on two.
    begins = np.concatenate([at_ms for at_ms, _ in some])
    step = HOUR_MS // 4 if ((begins - begins[0]) % HOUR_MS).any() else HOUR_MS
    least = int(begins.min())
    place = (begins - least) // step
    cells = np.concatenate([one for _, one in some])
    summed = np.stack(
        [np.bincount(place, weights=cells[:, column]) for column in range(len(HOURLY))], axis=1
    ).astype(np.int64)
    asked = np.flatnonzero(summed[:, 0])
    return least + asked * step, summed[asked]

"""Draws how long a site's answers took: a column a bucket, median and 95th percentile marked."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from tallymast.domain.health.comms.model import AnswerTimes
from tallymast.domain.record.rollups import bucket_ms
from tallymast.routes.formats import number

_WIDE: Final = 20
_BASE: Final = 84
_TALL: Final = 64
_SIDE: Final = 24
_LEAST: Final = 24  # columns; fewer answers' buckets get empty ones beside them


@dataclass(frozen=True, slots=True)
class Mark:
    """A place along the axis, its words, and where they stand from it."""

    x: float
    words: str
    anchor: str = "middle"


@dataclass(frozen=True, slots=True)
class Bars:
    """The drawing: ink as SVG path commands, ticks of the axis, marks, and it all in words."""

    ink: str
    width: int
    ticks: tuple[Mark, ...]
    marks: tuple[Mark, ...]
    words: str


def draw_bars(answers: Mapping[int, int], times: AnswerTimes | None) -> Bars | None:
    """Return the drawing of answer times by bucket, None without an answer."""
    if times is None or not answers:
        return None
    first, last = min(answers) - 1, max(answers) + 1
    last = max(last, first + _LEAST)
    highest = max(answers.values())
    ink = "".join(
        f"M{_SIDE + _WIDE * (bucket - first) + 1} {_BASE}v-{high}h{_WIDE - 2}v{high}z"
        for bucket, n in sorted(answers.items())
        if (high := max(round(_TALL * n / highest), 1))
    )
    ticks = tuple(
        Mark(_SIDE + _WIDE * (bucket - first), number(round(bucket_ms(bucket))))
        for bucket in range(first + 1, last + 1)
        if bucket % 4 == 0
    )
    median, late = (_along(ms, first) for ms in (times.median_ms, times.p95_ms))
    marks = (
        Mark(median, f"median {number(round(times.median_ms))}", "end"),
        Mark(late, f"p95 {number(round(times.p95_ms))}", "start"),
    )
    words = (
        f"Of {number(times.n)} answers half took {number(round(times.median_ms))} ms or less, and "
        f"95 of 100 took {number(round(times.p95_ms))} ms or less, each to 19 %."
    )
    width = max(2 * _SIDE + _WIDE * (last - first), round(late) + 90)
    return Bars(ink, width, ticks, marks, words)


def _along(ms: float, first: int) -> float:
    return round(_SIDE + _WIDE * (4 * math.log2(ms) - first), 1)

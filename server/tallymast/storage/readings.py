"""Reads one point's values at every poll."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from tallymast.domain.model import LayoutPoint, PollClass, PollFlag, SiteLayout, WordLayout
from tallymast.domain.record.columns import decode_column, registers_of, scale_column
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.domain.thinning import kept
from tallymast.storage.clock_steps import is_suspect, suspect_spans
from tallymast.storage.parts import Part, read_parts

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Resolution = Literal["raw", "hour", "day"]

PIXELS: Final = 1500  # ours: about as many columns as a screen has
_RAW_UP_TO_MS: Final = 36 * HOUR_MS


class Goodness(IntEnum):
    """Quality of a stored reading; what is stale is a question of now, not of then."""

    NONE = 0  # a gap: the poll was missed, or what came is no value
    SUSPECT = 1
    GOOD = 2


@dataclass(frozen=True, slots=True)
class Series:
    """A point at every poll, ascending in time.

    Attributes:
        unit: of ``value``, as the newest layout has it.
        at_ms: when.
        value: engineering values, NaN in gaps (and for texts).
        raw: numbers before scaling, in their own type where there is one layout; text as
            objects; what stands in a gap means nothing.
        quality: Goodness numbers.
        read: whether the words made a number, even one that is no value (a failed loop).

    """

    unit: str
    at_ms: Ints
    value: Floats
    raw: NDArray[Any]
    quality: NDArray[np.uint8]
    read: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.at_ms)


def raw_series(conn: Connection, site_id: int, tag: str, from_ms: int, to_ms: int) -> Series:
    """Return a point at every poll of ``from_ms <= at_ms < to_ms``.

    Each value is scaled as its own layout says, so an old one means what it meant. A poll
    that was missed is a gap; a poll that was not due to read the point (slow class) is none.
    Where the computer's clock passed a stretch of time twice, both passes are suspect.
    """
    parts = parts_with(conn, site_id, tag, from_ms, to_ms)
    some = [_piece(part) for part in parts]
    if not some:
        empty = np.empty(0)
        return Series("", empty.astype(np.int64), empty, empty, empty.astype(np.uint8), empty > 0)
    whole = Series(
        parts[-1].layout.points[0].unit,
        np.concatenate([one.at_ms for one in some]),
        np.concatenate([one.value for one in some]),
        np.concatenate([one.raw for one in some]),
        np.concatenate([one.quality for one in some]),
        np.concatenate([one.read for one in some]),
    )
    twice = is_suspect(whole.at_ms, suspect_spans(conn, site_id, from_ms, to_ms))
    whole.quality[twice & (whole.quality == Goodness.GOOD)] = Goodness.SUSPECT
    order = np.argsort(whole.at_ms, kind="stable")
    return Series(
        whole.unit,
        whole.at_ms[order],
        whole.value[order],
        whole.raw[order],
        whole.quality[order],
        whole.read[order],
    )


def auto_resolution(from_ms: int, to_ms: int, pixels: int = PIXELS) -> Resolution:
    """Return the resolution in which a chart of this span and width shows most.

    Args:
        from_ms: the span's beginning.
        to_ms: its end, not included.
        pixels: the columns there are to draw in.

    """
    span = to_ms - from_ms
    if span <= _RAW_UP_TO_MS:
        return "raw"
    return "hour" if span <= pixels * HOUR_MS else "day"


def thinned(series: Series, pixels: int) -> Series:
    """Return at most ``pixels`` readings of a series: its dips, peaks and gaps."""
    keep = kept(series.value, pixels)
    return Series(
        series.unit,
        series.at_ms[keep],
        series.value[keep],
        series.raw[keep],
        series.quality[keep],
        series.read[keep],
    )


# --- every poll -----------------------------------------------------------------------


def _registers(layout: SiteLayout, tag: str) -> range:
    point = point_of(layout, tag)
    return registers_of(layout, point) if point else range(0)


def point_of(layout: SiteLayout, tag: str) -> LayoutPoint | None:
    """Return a layout's point with this tag, or None."""
    return next((point for point in layout.points if point.tag == tag), None)


def _piece(part: Part) -> Series:
    columns, point = part.columns, part.layout.points[0]
    if part.layout.blocks[point.block].poll is PollClass.SLOW:
        columns = columns.take(columns.has(point.block))
    column = decode_column(columns, part.layout, point)
    suspect = (columns.flags & PollFlag.SUSPECT) != 0
    quality = np.where(suspect, Goodness.SUSPECT, Goodness.GOOD) * column.good
    if point.layout is WordLayout.TEXT:
        value = np.full(len(columns), np.nan)
    else:
        value = np.where(column.good, scale_column(column.raw, point), np.nan)
    return Series(
        point.unit, columns.at_ms, value, column.raw, quality.astype(np.uint8), column.read
    )


def parts_with(conn: Connection, site_id: int, tag: str, from_ms: int, to_ms: int) -> list[Part]:
    """Return parts whose layout has the point, as layouts of that point alone."""
    found = read_parts(conn, site_id, from_ms, to_ms, lambda layout: _registers(layout, tag))
    return of_point(found, tag)


def of_point(parts: Sequence[Part], tag: str) -> list[Part]:
    """Return the parts whose layout has the point, as layouts of that point alone."""
    return [
        Part(replace(part.layout, points=(point,)), part.columns)
        for part in parts
        if (point := point_of(part.layout, tag)) is not None
    ]

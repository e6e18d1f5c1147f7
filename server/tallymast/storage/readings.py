"""Reads one point's values over time: every poll, by hour, or by contract day."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import IntEnum
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, select

from tallymast.domain.model import LayoutPoint, PollClass, PollFlag, SiteLayout, WordLayout
from tallymast.domain.record.columns import decode_column, registers_of, scale_column
from tallymast.domain.record.rollups import HOUR_MS, PointHour, point_hours
from tallymast.domain.zones import find_zone
from tallymast.storage import schema
from tallymast.storage.chunks import DAY_MS
from tallymast.storage.clock_steps import is_suspect, suspect_spans
from tallymast.storage.layouts import load_layouts
from tallymast.storage.parts import Part, read_parts

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Resolution = Literal["raw", "hour", "day"]

_RAW_UP_TO_MS: Final = 36 * HOUR_MS  # ours: about as many points as a screen has columns
_HOURS_UP_TO_MS: Final = 62 * DAY_MS


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


@dataclass(frozen=True, slots=True)
class SpanSeries:
    """A point by hour or day, one row a span, ascending; empty spans have n 0 and NaN.

    ``on_ms`` says how long a contact was on.
    """

    unit: str
    at_ms: Ints
    n: Ints
    least: Floats
    mean: Floats
    most: Floats
    first: Floats
    last: Floats
    changes: Ints
    on_ms: Ints

    def __len__(self) -> int:
        return len(self.at_ms)


def raw_series(conn: Connection, site_id: int, tag: str, from_ms: int, to_ms: int) -> Series:
    """Return a point at every poll of ``from_ms <= at_ms < to_ms``.

    Each value is scaled as its own layout says, so an old one means what it meant. A poll
    that was missed is a gap; a poll that was not due to read the point (slow class) is none.
    Where the computer's clock passed a stretch of time twice, both passes are suspect.
    """
    parts = _parts_with(conn, site_id, tag, from_ms, to_ms)
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


def hour_series(conn: Connection, site_id: int, tag: str, from_ms: int, to_ms: int) -> SpanSeries:
    """Return a point by clock hour, for the hours that begin in the span.

    Hours not closed yet are computed from their polls so far.
    """
    first = -(-from_ms // HOUR_MS) * HOUR_MS
    starts = np.arange(first, to_ms, HOUR_MS, dtype=np.int64)
    rows, unit = _rows(conn, site_id, tag, first, to_ms)
    return _spans(unit, starts, rows)


def day_series(
    conn: Connection,
    site_id: int,
    tag: str,
    from_ms: int,
    to_ms: int,
    *,
    zone: str = "UTC",
    contract_hour: int = 0,
) -> SpanSeries:
    """Return a point by contract day, for the days that begin in the span.

    An hour counts for the day it begins in. (It matters only where the zone's offset is no
    whole number of hours.)
    """
    starts = day_starts(from_ms, to_ms, zone, contract_hour)
    if not len(starts):
        return _spans("", starts, np.empty((0, 9)))
    end = day_starts(int(starts[-1]) + 1, int(starts[-1]) + 2 * DAY_MS, zone, contract_hour)[0]
    rows, unit = _rows(conn, site_id, tag, int(starts[0]), int(end))
    return _spans(unit, starts, rows)


def auto_resolution(from_ms: int, to_ms: int) -> Resolution:
    """Return the resolution in which a chart of this span shows most."""
    span = to_ms - from_ms
    if span <= _RAW_UP_TO_MS:
        return "raw"
    return "hour" if span <= _HOURS_UP_TO_MS else "day"


def day_starts(from_ms: int, to_ms: int, zone: str, contract_hour: int) -> Ints:
    """Return when contract days begin, UTC milliseconds, ``from_ms <= start < to_ms``."""
    there = find_zone(zone)
    day = datetime.fromtimestamp(from_ms / 1000, there).date() - timedelta(days=1)
    starts: list[int] = []
    while True:
        start = datetime(day.year, day.month, day.day, contract_hour, tzinfo=there)
        at_ms = int(start.astimezone(UTC).timestamp() * 1000)
        if at_ms >= to_ms:
            return np.array(starts, np.int64)
        if at_ms >= from_ms:
            starts.append(at_ms)
        day += timedelta(days=1)


# --- every poll -----------------------------------------------------------------------


def _registers(layout: SiteLayout, tag: str) -> range:
    point = _point(layout, tag)
    return registers_of(layout, point) if point else range(0)


def _point(layout: SiteLayout, tag: str) -> LayoutPoint | None:
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


# --- spans ----------------------------------------------------------------------------


# One row an hour and layout, scaled: these columns, in this order.
_AT, _N, _TOTAL, _LEAST, _MOST, _FIRST, _LAST, _CHANGES, _ON = range(9)


def _rows(conn: Connection, site_id: int, tag: str, from_ms: int, to_ms: int) -> tuple[Floats, str]:
    """Return a point's hours as rows of columns (_AT, _N, …), ascending in time, and its unit."""
    table, point = schema.point_hour, schema.point
    point_id = conn.execute(
        select(point.c.id).where(point.c.site_id == site_id, point.c.tag == tag)
    ).scalar()
    kept = [table.c[name] for name in ("hour_ms", "n", "sum", "min", "max", "first", "last")]
    query = (
        select(*kept, table.c.changes, table.c.on_ms, table.c.layout_id)
        .where(table.c.point_id == point_id, table.c.hour_ms >= from_ms, table.c.hour_ms < to_ms)
        .order_by(table.c.hour_ms, table.c.layout_id)
    )
    fresh, unit = _open_hours(conn, site_id, tag, from_ms, to_ms)
    found = conn.execute(query).all()
    stored = np.array([tuple(row) for row in found], np.float64).reshape(-1, 10)
    stored = stored[~np.isin(stored[:, _AT], list(fresh))]
    layouts = load_layouts(conn, {int(number) for number in np.unique(stored[:, -1])})
    points = {number: _point(layout, tag) for number, layout in layouts.items()}
    parts = [_scaled(stored[stored[:, -1] == number, :9], one) for number, one in points.items()]
    parts += [row for some in fresh.values() for row in some]
    newest = points[max(points)] if points else None
    unit = unit or (newest.unit if newest else "")
    whole = np.concatenate(parts) if parts else np.empty((0, 9))
    return whole[np.argsort(whole[:, _AT], kind="stable")], unit


def _open_hours(
    conn: Connection, site_id: int, tag: str, from_ms: int, to_ms: int
) -> tuple[dict[int, list[Floats]], str]:
    """Return rows of hours that have polls no rollup knows yet, from all their polls."""
    table = schema.poll
    hour = table.c.at_ms - table.c.at_ms % HOUR_MS
    query = select(hour).where(
        table.c.site_id == site_id, table.c.at_ms >= from_ms, table.c.at_ms < to_ms
    )
    rows: dict[int, list[Floats]] = {}
    unit = ""
    for hour_ms in sorted(conn.execute(query.distinct()).scalars()):
        rows[hour_ms] = []
        for part in _parts_with(conn, site_id, tag, hour_ms, hour_ms + HOUR_MS):
            unit = part.layout.points[0].unit
            hours = point_hours(part.columns, part.layout, hour_ms)
            rows[hour_ms] += [_fresh(hour_ms, one, part.layout.points[0]) for one in hours]
    return rows, unit


def _parts_with(conn: Connection, site_id: int, tag: str, from_ms: int, to_ms: int) -> list[Part]:
    """Return parts whose layout has the point, as layouts of that point alone."""
    found = read_parts(conn, site_id, from_ms, to_ms, lambda layout: _registers(layout, tag))
    return [
        Part(replace(part.layout, points=(point,)), part.columns)
        for part in found
        if (point := _point(part.layout, tag)) is not None
    ]


def _fresh(hour_ms: int, one: PointHour, point: LayoutPoint) -> Floats:
    numbers = (one.n, one.total, one.least, one.most, one.first, one.last, one.changes, one.on_ms)
    return _scaled(np.array([(hour_ms, *numbers)], np.float64), point)


def _scaled(rows: Floats, point: LayoutPoint | None) -> Floats:
    """Return raw rows in the point's own unit; a falling scale turns lowest and highest round."""
    if point is None or not len(rows):
        return rows
    rows = rows.copy()
    mean = scale_column(rows[:, _TOTAL] / rows[:, _N], point)
    ends = scale_column(rows[:, (_LEAST, _MOST)], point)
    rows[:, (_FIRST, _LAST)] = scale_column(rows[:, (_FIRST, _LAST)], point)
    rows[:, _TOTAL] = mean * rows[:, _N]
    rows[:, _LEAST], rows[:, _MOST] = ends.min(axis=1), ends.max(axis=1)
    return rows


def _spans(unit: str, starts: Ints, rows: Floats) -> SpanSeries:
    """Return rows, ascending in time, joined into the spans that begin at ``starts``."""
    span = np.searchsorted(starts, rows[:, _AT], side="right") - 1
    rows, span = rows[span >= 0], span[span >= 0]
    used, begins = np.unique(span, return_index=True)
    ends = np.append(begins[1:], len(rows)) - 1 if len(rows) else begins

    def spread(values: Floats, nothing: float) -> Floats:
        whole = np.full(len(starts), nothing)
        whole[used] = values
        return whole

    def added(column: int) -> Floats:
        return np.add.reduceat(rows[:, column], begins) if len(rows) else np.empty(0)

    least = np.minimum.reduceat(rows[:, _LEAST], begins) if len(rows) else np.empty(0)
    most = np.maximum.reduceat(rows[:, _MOST], begins) if len(rows) else np.empty(0)
    n = added(_N)
    return SpanSeries(
        unit,
        starts,
        spread(n, 0).astype(np.int64),
        spread(least, np.nan),
        spread(added(_TOTAL) / n, np.nan),
        spread(most, np.nan),
        spread(rows[begins, _FIRST], np.nan),
        spread(rows[ends, _LAST], np.nan),
        spread(added(_CHANGES), 0).astype(np.int64),
        spread(added(_ON), 0).astype(np.int64),
    )

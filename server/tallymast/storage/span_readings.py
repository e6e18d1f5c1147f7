"""Reads one point's values by hour or by contract day.

What is closed comes from the rollups; hours with polls no rollup knows yet are computed from
their polls, and days that are not over, or have such an hour, from their hours.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from sqlalchemy import Connection, Select, select

from tallymast.domain.model import LayoutPoint
from tallymast.domain.record.columns import scale_column
from tallymast.domain.record.days import Contract, ContractDay, days_between
from tallymast.domain.record.rollups import HOUR_MS, PointHour, point_hours
from tallymast.domain.record.spans import SpanSeries
from tallymast.storage import schema
from tallymast.storage.keys import point_id
from tallymast.storage.layouts import load_layouts
from tallymast.storage.parts import Part, read_parts
from tallymast.storage.point_hours import load_hours
from tallymast.storage.readings import Floats, Ints, of_point, parts_with, point_of


class OpenHours:
    """A site's hours whose polls no rollup knows yet, read once for many of its points.

    Args:
        conn: one read transaction, the same that the hours are asked in.
        site_id: whose.
        from_ms: where the hours begin that may be asked for.
        to_ms: where they end.
        tag: of the only point that is asked for; its registers alone are read then.

    """

    def __init__(
        self, conn: Connection, site_id: int, from_ms: int, to_ms: int, tag: str = ""
    ) -> None:
        def parts(begin: int, end: int) -> list[Part]:
            if tag:
                return parts_with(conn, site_id, tag, begin, end)
            return read_parts(conn, site_id, begin, end)

        hours = sorted(conn.execute(_hot_hours(site_id, from_ms, to_ms)).scalars())
        self._parts = {hour_ms: parts(hour_ms, hour_ms + HOUR_MS) for hour_ms in hours}

    def with_point(self, tag: str, from_ms: int, to_ms: int) -> dict[int, list[Part]]:
        """Return the hours that begin in a span, each with its parts as of the point alone."""
        return {
            hour_ms: of_point(parts, tag)
            for hour_ms, parts in self._parts.items()
            if from_ms <= hour_ms < to_ms
        }


def hour_series(
    conn: Connection,
    site_id: int,
    tag: str,
    from_ms: int,
    to_ms: int,
    opened: OpenHours | None = None,
) -> SpanSeries:
    """Return a point by clock hour, for the hours that begin in the span.

    Hours not closed yet are computed from their polls so far, from ``opened`` where that is given.
    """
    first = -(-from_ms // HOUR_MS) * HOUR_MS
    starts = np.arange(first, to_ms, HOUR_MS, dtype=np.int64)
    rows, unit = _rows(conn, site_id, tag, first, to_ms, opened)
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
    """Return a point by contract day, for the days that begin in the span."""
    days = days_between(from_ms, to_ms, Contract(zone, contract_hour))
    starts = np.array([day.start_ms for day in days], np.int64)
    if not days:
        return _spans("", starts, np.empty((0, 9)))
    rows, unit = _day_rows(conn, site_id, tag, days)
    return _spans(unit, starts, rows)


# --- spans ----------------------------------------------------------------------------


# One row a span and layout, scaled: these columns, in this order; the last two while reading.
_AT, _N, _TOTAL, _LEAST, _MOST, _FIRST, _LAST, _CHANGES, _ON = range(9)
_END, _LAYOUT = 9, 10


def _day_rows(
    conn: Connection, site_id: int, tag: str, days: Sequence[ContractDay]
) -> tuple[Floats, str]:
    """Return a point's days as rows: kept ones as they are, the others hour by hour."""
    first, end = days[0].start_ms, days[-1].end_ms
    kept, unit = _kept_days(conn, site_id, tag, first, end)
    doubtful = _unclosed(conn, site_id, days)
    ends = {day.start_ms: day.end_ms for day in days if day.start_ms not in doubtful}
    good = [ends.get(int(row[_AT])) == row[_END] for row in kept]
    kept = kept[np.array(good, np.bool_)]
    known = set(kept[:, _AT].tolist())
    parts = [kept[:, :_END]]
    for some in _stretches([day for day in days if day.start_ms not in known]):
        rows, fresh_unit = _rows_of_days(conn, site_id, tag, some)
        parts.append(rows)
        unit = fresh_unit or unit
    whole = np.concatenate(parts)
    return whole[np.argsort(whole[:, _AT], kind="stable")], unit


def _unclosed(conn: Connection, site_id: int, days: Sequence[ContractDay]) -> set[int]:
    """Return the beginnings of days with something that their rows do not know yet."""
    dirty = schema.dirty
    first, end = days[0].start_ms, days[-1].end_ms
    marked = select(dirty.c.start_ms).where(
        dirty.c.kind == "day",
        dirty.c.key_id == site_id,
        dirty.c.start_ms >= first,
        dirty.c.start_ms < end,
    )
    hot = _hot_hours(site_id, first, end)
    found = set(conn.execute(marked).scalars())
    hours = conn.execute(hot).scalars().all()
    starts = [day.start_ms for day in days]
    for hour_ms in hours:
        reached = np.searchsorted(starts, (hour_ms, hour_ms + HOUR_MS - 1), side="right") - 1
        found |= {starts[max(0, int(place))] for place in reached}
    return found


def _stretches(days: Sequence[ContractDay]) -> list[list[ContractDay]]:
    """Return days in groups of such as follow each other."""
    groups: list[list[ContractDay]] = []
    for day in days:
        if groups and groups[-1][-1].end_ms == day.start_ms:
            groups[-1].append(day)
        else:
            groups.append([day])
    return groups


def _rows_of_days(
    conn: Connection, site_id: int, tag: str, days: Sequence[ContractDay]
) -> tuple[Floats, str]:
    """Return a point's hours in days that follow each other, cut hours from their polls."""
    cut = [(day, hour) for day in days for hour in _ends(day) if not day.holds(hour)]
    rows, unit = _rows(conn, site_id, tag, days[0].start_ms, days[-1].end_ms)
    rows = rows[~np.isin(rows[:, _AT], [hour for _, hour in cut])]
    parts = [rows]
    for day, hour in cut:
        begin, end = day.part_of(hour)
        for part in parts_with(conn, site_id, tag, begin, end):
            point = part.layout.points[0]
            some = point_hours(part.columns, part.layout, begin, end)
            parts += [_fresh(begin, one, point) for one in some]
            unit = unit or point.unit
    return np.concatenate(parts), unit


def _ends(day: ContractDay) -> tuple[int, int]:
    return day.hours[0], day.hours[-1]


def _rows(
    conn: Connection,
    site_id: int,
    tag: str,
    from_ms: int,
    to_ms: int,
    opened: OpenHours | None = None,
) -> tuple[Floats, str]:
    """Return a point's hours as rows of columns (_AT, _N, …), ascending in time, and its unit."""
    opened = opened or OpenHours(conn, site_id, from_ms, to_ms, tag)
    fresh, fresh_unit = _fresh_rows(opened.with_point(tag, from_ms, to_ms))
    number = point_id(conn, site_id, tag)
    stored: dict[int, Floats] = {}
    if number is not None:
        entries = load_hours(conn, site_id, from_ms, to_ms, number)
        stored = {entry.layout_id: entry.rows for entry in entries}
    rows, unit = _in_units(conn, tag, stored)
    rows = rows[~np.isin(rows[:, _AT], list(fresh))]
    whole = np.concatenate([rows, *(row for some in fresh.values() for row in some)])
    return whole[np.argsort(whole[:, _AT], kind="stable")], fresh_unit or unit


def _kept_days(
    conn: Connection, site_id: int, tag: str, from_ms: int, to_ms: int
) -> tuple[Floats, str]:
    """Return a point's kept days as rows, with their end in column _END, and its unit."""
    table = schema.point_day
    names = ("n", "sum", "min", "max", "first", "last", "changes", "on_ms", "end_ms", "layout_id")
    query = (
        select(table.c.day_ms, *(table.c[name] for name in names))
        .where(
            table.c.point_id == point_id(conn, site_id, tag),
            table.c.day_ms >= from_ms,
            table.c.day_ms < to_ms,
        )
        .order_by(table.c.day_ms, table.c.layout_id)
    )
    found = [tuple(row) for row in conn.execute(query)]
    whole = np.array(found, np.float64).reshape(-1, _LAYOUT + 1)
    numbers = [int(number) for number in np.unique(whole[:, _LAYOUT])]
    stored = {number: whole[whole[:, _LAYOUT] == number, :_LAYOUT] for number in numbers}
    rows, unit = _in_units(conn, tag, stored)
    return rows.reshape(-1, _LAYOUT), unit


def _in_units(conn: Connection, tag: str, stored: Mapping[int, Floats]) -> tuple[Floats, str]:
    """Return raw rows of several layouts scaled, and the unit of the newest."""
    if not stored:
        return np.empty((0, _END)), ""
    layouts = load_layouts(conn, stored)
    points = {number: point_of(layout, tag) for number, layout in layouts.items()}
    newest = points[max(points)]
    rows = [_scaled(some, points[number]) for number, some in stored.items()]
    return np.concatenate(rows), newest.unit if newest else ""


def _hot_hours(site_id: int, from_ms: int, to_ms: int) -> Select[int]:
    table = schema.poll
    hour = (table.c.at_ms - table.c.at_ms % HOUR_MS).label("hour")
    return (
        select(hour)
        .where(table.c.site_id == site_id, table.c.at_ms >= from_ms, table.c.at_ms < to_ms)
        .distinct()
    )


def _fresh_rows(hours: Mapping[int, Sequence[Part]]) -> tuple[dict[int, list[Floats]], str]:
    """Return what one point did in hours, computed from their polls, and its unit."""
    rows: dict[int, list[Floats]] = {}
    unit = ""
    for hour_ms, parts in hours.items():
        rows[hour_ms] = []
        for part in parts:
            unit = part.layout.points[0].unit
            found = point_hours(part.columns, part.layout, hour_ms)
            rows[hour_ms] += [_fresh(hour_ms, one, part.layout.points[0]) for one in found]
    return rows, unit


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
    # Where one row ends otherwise than the next begins, the point changed in between.
    joints = np.zeros(len(rows))
    if len(rows):
        joints[1:] = (rows[1:, _FIRST] != rows[:-1, _LAST]) & (span[1:] == span[:-1])
    changed = added(_CHANGES) + (np.add.reduceat(joints, begins) if len(rows) else 0)
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
        spread(changed, 0).astype(np.int64),
        spread(added(_ON), 0).astype(np.int64),
    )

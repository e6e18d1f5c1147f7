"""Keeps what each point did by hour: rows while a day goes on, one packed body a site after.

An hour that is rolled up stands in rows and marks its UTC day; two hours after that day the
rows are merged into its pack. A row that is there says more than the pack: it was computed
later, from all the hour's polls.
"""

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
from sqlalchemy import Connection, bindparam, delete, select

from tallymast.domain.record.hour_packs import HOUR, HourRows, Rows, pack_hours, unpack_hours
from tallymast.storage import schema
from tallymast.storage.changes import insert_many
from tallymast.storage.chunks import DAY_MS, HOUR_MS
from tallymast.storage.engine import Database

PACK_AFTER_MS: Final = 2 * HOUR_MS  # ours: what comes late mostly comes within two hours

_rows, _pack, _dirty = schema.point_hour, schema.point_pack, schema.dirty
_NUMBERS: Final = ("hour_ms", "n", "sum", "min", "max", "first", "last", "changes", "on_ms")
_OF_SITE: Final = _rows.c.point_id.in_(
    select(schema.point.c.id).where(schema.point.c.site_id == bindparam("site"))
)
_IN_SPAN: Final = (_rows.c.hour_ms >= bindparam("begin"), _rows.c.hour_ms < bindparam("end"))
_SELECTED: Final = select(
    _rows.c.point_id, _rows.c.layout_id, *(_rows.c[name] for name in _NUMBERS)
)
_ORDER: Final = (_rows.c.point_id, _rows.c.layout_id, _rows.c.hour_ms)
_ROWS_OF_SITE: Final = _SELECTED.where(_OF_SITE, *_IN_SPAN).order_by(*_ORDER)
_ROWS_OF_POINT: Final = _SELECTED.where(_rows.c.point_id == bindparam("point"), *_IN_SPAN).order_by(
    *_ORDER
)
_PACKS: Final = select(_pack.c.day_ms, _pack.c.body).where(
    _pack.c.site_id == bindparam("site"),
    _pack.c.day_ms > bindparam("begin"),
    _pack.c.day_ms < bindparam("end"),
)
_FORGET: Final = delete(_rows).where(_OF_SITE, *_IN_SPAN)
_UNMARK: Final = delete(_dirty).where(
    _dirty.c.kind == "pack",
    _dirty.c.key_id == bindparam("site"),
    _dirty.c.start_ms == bindparam("day"),
)


def load_hours(
    conn: Connection, site_id: int, from_ms: int, to_ms: int, point_id: int | None = None
) -> list[HourRows]:
    """Return the kept hours that begin in a span: of one point, or (None) of all of a site.

    Raises:
        DecodeError: a pack was written by a newer version, or is damaged.

    """
    span = {"begin": from_ms, "end": to_ms}
    if point_id is None:
        found = conn.execute(_ROWS_OF_SITE, {"site": site_id, **span})
    else:
        found = conn.execute(_ROWS_OF_POINT, {"point": point_id, **span})
    fresh = _grouped(found.all())
    packed: dict[tuple[int, int], list[Rows]] = {}
    packs = {"site": site_id, "begin": from_ms - DAY_MS, "end": to_ms}
    for day_ms, body in conn.execute(_PACKS, packs):
        for entry in unpack_hours(bytes(body), day_ms, point_id):
            packed.setdefault((entry.point_id, entry.layout_id), []).append(entry.rows)
    return [
        HourRows(*key, rows)
        for key in sorted({*fresh, *packed})
        if len(rows := _inside(_merged(packed.get(key, []), fresh.get(key)), from_ms, to_ms))
    ]


def mark_pack(conn: Connection, site_id: int, hours: Sequence[int]) -> None:
    """Note that the UTC days of a site's hours have rows to be packed."""
    days = sorted({hour_ms - hour_ms % DAY_MS for hour_ms in hours})
    if days:
        insert_many(conn, _dirty, [("pack", site_id, day_ms) for day_ms in days], keep=True)


def pack_days(database: Database, now_ms: int, *, stop: Callable[[], bool] = lambda: False) -> int:
    """Pack the UTC days that are over and have rows, oldest first; return how many.

    Raises:
        StorageError: the database refused; what is packed stays packed.
        DecodeError: a pack is damaged.

    """
    query = (
        select(_dirty.c.key_id, _dirty.c.start_ms)
        .where(_dirty.c.kind == "pack", _dirty.c.start_ms <= now_ms - DAY_MS - PACK_AFTER_MS)
        .order_by(_dirty.c.start_ms, _dirty.c.key_id)
    )
    with database.reading() as conn:
        due = conn.execute(query).all()
    packed = 0
    for site_id, day_ms in due:
        if stop():
            break
        with database.writing() as conn:
            _pack_day(conn, site_id, day_ms)
        packed += 1
    return packed


def _pack_day(conn: Connection, site_id: int, day_ms: int) -> None:
    entries = load_hours(conn, site_id, day_ms, day_ms + DAY_MS)
    if entries:
        insert_many(conn, _pack, [(site_id, day_ms, pack_hours(entries, day_ms))])
        conn.execute(_FORGET, {"site": site_id, "begin": day_ms, "end": day_ms + DAY_MS})
    conn.execute(_UNMARK, {"site": site_id, "day": day_ms})


def _grouped(found: Sequence[Sequence[float]]) -> dict[tuple[int, int], Rows]:
    if not found:
        return {}
    table = np.array([tuple(row) for row in found], np.float64)
    edges = np.flatnonzero((np.diff(table[:, :2], axis=0) != 0).any(axis=1)) + 1
    return {(int(part[0, 0]), int(part[0, 1])): part[:, 2:] for part in np.split(table, edges)}


def _merged(packed: Sequence[Rows], fresh: Rows | None) -> Rows:
    """Return hours ascending, each once: the row's where there is one."""
    parts = [*packed] if fresh is None else [fresh, *packed]
    whole = parts[0] if len(parts) == 1 else np.concatenate(parts)
    _, first = np.unique(whole[:, HOUR], return_index=True)
    return whole[first]


def _inside(rows: Rows, from_ms: int, to_ms: int) -> Rows:
    return rows[(rows[:, HOUR] >= from_ms) & (rows[:, HOUR] < to_ms)]

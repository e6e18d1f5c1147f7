"""Keeps what mechanical indexes said; such rows are only ever added."""

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from typing import Any, Final

from sqlalchemy import Connection, Row, insert, select

from tallymast.domain.record.days import Contract
from tallymast.domain.totals.hand_index import IndexReading, Reconciled, reconciled
from tallymast.storage import schema
from tallymast.storage.changes import log_change
from tallymast.storage.volume_hours import Counted
from tallymast.storage.volume_marks import mark_point
from tallymast.storage.volumes import booked

_table = schema.index_reading
_SAME: Final = ("point_id", "read_ms", "unit", "at_ms", "actor", "note")


def add(conn: Connection, one: IndexReading) -> IndexReading:
    """Store a reading of an index (its number is given anew) and return it."""
    row = {name: getattr(one, name) for name in _SAME}
    row |= {"shows": str(one.index), "begins": int(one.begins)}
    number = int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())
    mark_point(conn, one.point_id, one.read_ms, one.read_ms)  # its hour is cut there
    log_change(conn, one.at_ms, "index-reading", str(number))
    return replace(one, id=number)


def of_point(conn: Connection, point_id: int, limit: int = 50) -> list[IndexReading]:
    """Return the newest readings of a point's index, the oldest of them first."""
    query = select(_table).where(_table.c.point_id == point_id)
    query = query.order_by(_table.c.read_ms.desc(), _table.c.id.desc()).limit(limit)
    return [_reading(row) for row in conn.execute(query)][::-1]


def compared(
    conn: Connection, one: Counted, contract: Contract, now_ms: int
) -> list[tuple[IndexReading, Reconciled | None]]:
    """Return each reading of a point's index, held against what was counted since the one before.

    None beside the first, beside one that begins anew, and where no factor is known.
    """
    readings = of_point(conn, one.point_id)
    told: list[Reconciled | None] = [None]
    for before, after in pairwise(readings):
        spans = [(before.read_ms, after.read_ms)]
        (count,) = booked(conn, one, spans, contract, now_ms)
        volume, share = count.volume, count.counted.known_share
        told.append(reconciled(before, after, volume, share) if volume else None)
    return list(zip(readings, told, strict=False))


def _reading(row: Row[Any]) -> IndexReading:
    said = (row.unit, bool(row.begins), row.at_ms, row.actor, row.note)
    return IndexReading(row.id, row.point_id, row.read_ms, Fraction(row.shows), *said)

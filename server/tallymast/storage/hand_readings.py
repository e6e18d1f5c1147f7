"""Keeps what hand meters said beside what stations showed; such rows are only ever added."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, insert, select

from tallymast.storage import schema
from tallymast.storage.changes import log_change

_table = schema.hand_reading


@dataclass(frozen=True, slots=True)
class HandReading:
    """One hand reading; the offsets say by how much the station shows too much [unit of the point].

    Attributes:
        shown_ms: when the station's value came.
        revision_id: the revision of the network that set the new offset; None: none was set.

    """

    id: int
    site_id: int
    tag: str
    at_ms: int
    hand: float
    shown: float
    shown_ms: int | None
    offset_before: float
    offset_after: float
    revision_id: int | None
    actor: str
    note: str = ""


def add(conn: Connection, reading: HandReading) -> HandReading:
    """Store a hand reading (its number is given anew) and return it."""
    names = [name for name in HandReading.__dataclass_fields__ if name != "id"]
    row = {name: getattr(reading, name) for name in names}
    number = int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())
    log_change(conn, reading.at_ms, "hand-reading", str(number))
    return HandReading(number, *(row[name] for name in names))


def of_site(conn: Connection, site_id: int, limit: int = 50) -> list[HandReading]:
    """Return a site's hand readings, the newest first."""
    query = select(_table).where(_table.c.site_id == site_id)
    query = query.order_by(_table.c.at_ms.desc(), _table.c.id.desc()).limit(limit)
    return [_reading(row) for row in conn.execute(query)]


def _reading(row: Row[Any]) -> HandReading:
    return HandReading(**{name: getattr(row, name) for name in HandReading.__dataclass_fields__})

"""Notes which hours of a site have to have their volumes computed, or computed again."""

from collections.abc import Iterable
from typing import Final

from sqlalchemy import ColumnElement, Connection, bindparam, delete, literal, select

from tallymast.domain.model import PointKind
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.storage import schema
from tallymast.storage.changes import insert_many

KIND: Final = "volume"
TAKEN: Final = "volume-taken"  # being computed: marked anew meanwhile, it is done once more
_COUNTING: Final = (PointKind.TOTALIZER, PointKind.COUNTER, PointKind.DURATION)
_COUNTS: Final = (  # made once: it runs for every hour of a site
    select(schema.point.c.id)
    .where(
        schema.point.c.site_id == bindparam("site"),
        schema.point.c.kind.in_([kind.value for kind in _COUNTING]),
    )
    .limit(1)
)


def counts(conn: Connection, site_id: int) -> bool:
    """Whether a site has, or had, points that count."""
    return conn.execute(_COUNTS, {"site": site_id}).first() is not None


def mark_volumes(conn: Connection, site_id: int, hours: Iterable[int]) -> None:
    """Note that the volumes of a site's clock hours have to be computed again."""
    rows = [(KIND, site_id, hour_ms) for hour_ms in sorted(set(hours))]
    if rows:
        insert_many(conn, schema.dirty, rows, keep=True)


def mark_point(conn: Connection, point_id: int, from_ms: int, to_ms: int) -> None:
    """Note that a point's volumes of a span have to be computed again, where there is a record."""
    site_id = conn.execute(
        select(schema.point.c.site_id).where(schema.point.c.id == point_id)
    ).scalar()
    if site_id is not None:
        mark_volumes(conn, int(site_id), range(from_ms - from_ms % HOUR_MS, to_ms + 1, HOUR_MS))


def take(conn: Connection, site_id: int, from_ms: int, to_ms: int) -> None:
    """Note that a site's marked hours of a span are being computed now.

    Whatever is marked from here on is computed again, whether that has seen it or not; should the
    computing be cut short, what was taken is due as before.
    """
    dirty = schema.dirty
    hours = select(literal(TAKEN), dirty.c.key_id, dirty.c.start_ms)
    found = conn.execute(hours.where(*_marked(KIND, site_id, from_ms, to_ms))).all()
    if found:
        insert_many(conn, dirty, [tuple(row) for row in found], keep=True)
        conn.execute(delete(dirty).where(*_marked(KIND, site_id, from_ms, to_ms)))


def done(conn: Connection, site_id: int, from_ms: int, to_ms: int) -> None:
    """Note that what was taken of a span is computed."""
    conn.execute(delete(schema.dirty).where(*_marked(TAKEN, site_id, from_ms, to_ms)))


def _marked(kind: str, site_id: int, from_ms: int, to_ms: int) -> tuple[ColumnElement[bool], ...]:
    dirty = schema.dirty
    return (
        dirty.c.kind == kind,
        dirty.c.key_id == site_id,
        dirty.c.start_ms >= from_ms,
        dirty.c.start_ms < to_ms,
    )

"""Keeps chunks, and changes them only if nobody else has meanwhile.

Reading, merging and packing happen before the lock is taken; under it a change checks that
the chunks it started from are still the ones there. So the lock is held for milliseconds.
"""

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from sqlalchemy import Connection, delete, select, text

from tallymast.domain.model import SiteLayout
from tallymast.domain.record.chunks import (
    FORMAT,
    PollColumns,
    pack_columns,
    unpack,
)
from tallymast.storage import schema
from tallymast.storage.changes import insert_many
from tallymast.storage.layouts import load_layouts

HOUR_MS: Final = 3_600_000
DAY_MS: Final = 24 * HOUR_MS
HOUR: Final = 1  # spans, in hours
DAY: Final = 24

WordsOf = Callable[[SiteLayout], Collection[int]]
_table = schema.chunk
_key = (_table.c.start_ms, _table.c.span, _table.c.layout_id)
_stamp = (*_key, _table.c.n, _table.c.first_ms, _table.c.last_ms)


@dataclass(frozen=True, slots=True)
class Chunk:
    """A site's stored polls of an hour or a UTC day under one layout."""

    site_id: int
    start_ms: int
    span: int
    layout_id: int
    columns: PollColumns

    @property
    def key(self) -> tuple[int, int, int]:
        """What it is found by, within its site."""
        return self.start_ms, self.span, self.layout_id


@dataclass(frozen=True, slots=True)
class Seen:
    """What a site's chunks were in a span when a change was begun."""

    site_id: int
    from_ms: int
    to_ms: int
    stamps: frozenset[tuple[int, ...]]


@dataclass(frozen=True, slots=True)
class Packed:
    """Chunks ready to be stored in place of those with the keys ``gone``."""

    chunks: Sequence[Chunk]
    rows: Sequence[tuple[Any, ...]]
    gone: Collection[tuple[int, int, int]] = field(default_factory=tuple)


def look(conn: Connection, site_id: int, from_ms: int, to_ms: int) -> Seen:
    """Return which chunks a site has that begin in a span."""
    return Seen(site_id, from_ms, to_ms, _stamps(conn, site_id, from_ms, to_ms))


def still_so(conn: Connection, seen: Seen) -> bool:
    """Whether nobody has changed these chunks; to be asked under the write lock.

    SQLite has one writer; PostgreSQL is told here to let one at a time change a site.
    """
    if conn.dialect.name == "postgresql":
        conn.execute(text("SELECT pg_advisory_xact_lock(:site_id)"), {"site_id": seen.site_id})
    return _stamps(conn, seen.site_id, seen.from_ms, seen.to_ms) == seen.stamps


def load_chunks(
    conn: Connection, site_id: int, from_ms: int, to_ms: int, words_of: WordsOf | None = None
) -> list[Chunk]:
    """Return a site's chunks that hold polls of a span, oldest first.

    Args:
        conn: a reading connection.
        site_id: whose.
        from_ms: the span's beginning; chunks that begin up to a day earlier may reach into it.
        to_ms: its end, not included.
        words_of: which registers to fill, by layout; None: all.

    """
    query = (
        select(*_key, _table.c.body)
        .where(
            _table.c.site_id == site_id,
            _table.c.start_ms > from_ms - DAY_MS,
            _table.c.start_ms < to_ms,
            _table.c.last_ms >= from_ms,
            _table.c.first_ms < to_ms,
        )
        .order_by(*_key)
    )
    rows = conn.execute(query).all()
    layouts = load_layouts(conn, {row.layout_id for row in rows}) if words_of else {}
    return [
        Chunk(
            site_id,
            row.start_ms,
            row.span,
            row.layout_id,
            unpack(row.body, words_of(layouts[row.layout_id]) if words_of else None),
        )
        for row in rows
    ]


def packed(chunks: Iterable[Chunk], gone: Collection[tuple[int, int, int]] = ()) -> Packed:
    """Return chunks as rows; this is where the work is, so it happens before the lock."""
    full = [chunk for chunk in chunks if len(chunk.columns)]
    rows = [
        (
            chunk.site_id,
            chunk.start_ms,
            chunk.span,
            chunk.layout_id,
            FORMAT,
            len(chunk.columns),
            int(chunk.columns.at_ms[0]),
            int(chunk.columns.at_ms[-1]),
            pack_columns(chunk.columns),
        )
        for chunk in full
    ]
    return Packed(full, rows, gone)


def put_chunks(conn: Connection, site_id: int, change: Packed) -> None:
    """Store packed chunks and delete those that are gone."""
    for start_ms, span, layout_id in change.gone:
        conn.execute(
            delete(_table).where(
                _table.c.site_id == site_id,
                _table.c.start_ms == start_ms,
                _table.c.span == span,
                _table.c.layout_id == layout_id,
            )
        )
    if change.rows:
        insert_many(conn, _table, change.rows)


def _stamps(conn: Connection, site_id: int, from_ms: int, to_ms: int) -> frozenset[tuple[int, ...]]:
    query = select(*_stamp).where(
        _table.c.site_id == site_id, _table.c.start_ms >= from_ms, _table.c.start_ms < to_ms
    )
    return frozenset(tuple(row) for row in conn.execute(query))

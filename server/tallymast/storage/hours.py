"""Closes ended hours: hot rows become a chunk and rollups; ended days become one chunk.

An hour is closed 3 min after its end, and again whenever something came late: then its hot
rows are merged into what is there. Whatever lies in hot rows counts as not closed, so an hour
may be closed late, after a gap or twice, and reads the same. Contract days (days.py) follow.
"""

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

from sqlalchemy import Connection, bindparam, delete, func, select

from tallymast.domain.errors import DecodeError
from tallymast.domain.model import Poll, SiteLayout
from tallymast.domain.record.chunks import PollColumns, merge
from tallymast.domain.record.passes import both_passes
from tallymast.storage import schema
from tallymast.storage.batch import CLOSE_AFTER_MS
from tallymast.storage.chunks import (
    DAY,
    DAY_MS,
    HOUR,
    HOUR_MS,
    Chunk,
    Packed,
    Seen,
    load_chunks,
    look,
    packed,
    put_chunks,
    still_so,
)
from tallymast.storage.days import close_days, load_contract
from tallymast.storage.engine import Database
from tallymast.storage.layouts import load_layouts
from tallymast.storage.parts import Part, hot_columns, hot_polls
from tallymast.storage.point_hours import pack_days
from tallymast.storage.retention import kept_from
from tallymast.storage.rollups import HourRollup, put_rollup, roll_up

log = logging.getLogger(__name__)

_UNMARK: Final = delete(schema.dirty).where(  # made once: it runs for every hour of a site
    schema.dirty.c.kind == "hour",
    schema.dirty.c.key_id == bindparam("site"),
    schema.dirty.c.start_ms == bindparam("hour"),
)
_DAY_AFTER_MS: Final = 2 * HOUR_MS  # ours: what comes late mostly comes within two hours


def close_hours(
    database: Database, now_ms: int, *, stop: Callable[[], bool] = lambda: False
) -> int:
    """Close every hour that may be, oldest first, then add up and merge the days that are over.

    Args:
        database: what to work on; the write lock is taken for milliseconds a site and hour.
        now_ms: the wall clock.
        stop: asked between steps; True ends early.

    Returns:
        How many hours of sites were closed.

    Raises:
        StorageError: the database refused; what is closed stays closed.

    """
    end_ms = _floor(now_ms - CLOSE_AFTER_MS, HOUR_MS)
    closed, hour_ms = 0, _oldest(database, 0, end_ms)
    while hour_ms is not None and not stop():
        closed += _close_hour(database, hour_ms, stop)
        hour_ms = _oldest(database, hour_ms + HOUR_MS, end_ms)
    _merge_days(database, now_ms, stop)
    close_days(database, now_ms, stop=stop)
    try:
        pack_days(database, now_ms, stop=stop)
    except DecodeError as error:
        log.error("hours not packed: %s", error)
    return closed


def _oldest(database: Database, from_ms: int, end_ms: int) -> int | None:
    """Return the oldest hour from ``from_ms`` on that has hot rows or is marked dirty."""
    poll, dirty = schema.poll, schema.dirty
    with database.reading() as conn:
        hot = conn.execute(
            select(func.min(poll.c.at_ms)).where(poll.c.at_ms >= from_ms, poll.c.at_ms < end_ms)
        ).scalar()
        marked = conn.execute(
            select(func.min(dirty.c.start_ms)).where(
                dirty.c.kind == "hour", dirty.c.start_ms >= from_ms, dirty.c.start_ms < end_ms
            )
        ).scalar()
    found = [_floor(at_ms, HOUR_MS) for at_ms in (hot, marked) if at_ms is not None]
    return min(found) if found else None


def _close_hour(database: Database, hour_ms: int, stop: Callable[[], bool]) -> int:
    with database.reading() as conn:
        is_given_up = hour_ms < kept_from(conn)
        hot = hot_polls(conn, hour_ms, hour_ms + HOUR_MS)
        sites = sorted(hot.keys() | _dirty_sites(conn, hour_ms))
    closed = 0
    for site_id in sites:
        if stop():
            break
        if is_given_up:
            _drop_late(database, site_id, hour_ms, hot.get(site_id, []))
            continue
        try:
            closed += _close_site(database, site_id, hour_ms, hot.get(site_id, []))
        except DecodeError as error:
            # Its hot rows stay, and are read from there.
            log.error("hour not closed site=%d hour_ms=%d: %s", site_id, hour_ms, error)
    return closed


def _dirty_sites(conn: Connection, hour_ms: int) -> set[int]:
    dirty = schema.dirty
    query = select(dirty.c.key_id).where(dirty.c.kind == "hour", dirty.c.start_ms == hour_ms)
    return set(conn.execute(query).scalars())


def _close_site(database: Database, site_id: int, hour_ms: int, hot: Sequence[Poll]) -> bool:
    """Close one site's hour; return False where somebody else changed it meanwhile."""
    seen, change, rollup = _prepare(database, site_id, hour_ms, hot)
    with database.writing() as conn:
        if not still_so(conn, seen):
            return False
        put_chunks(conn, site_id, change)
        put_rollup(conn, site_id, hour_ms, rollup, load_contract(conn))
        _drop_hot(conn, hot)
        unmark(conn, site_id, hour_ms)
    return True


def _drop_late(database: Database, site_id: int, hour_ms: int, hot: Sequence[Poll]) -> None:
    """Drop polls of an hour whose polls were given up: what it added up to stays as it is."""
    with database.writing() as conn:
        _drop_hot(conn, hot)
        unmark(conn, site_id, hour_ms)
    log.warning("polls too old to keep site=%d hour_ms=%d n=%d", site_id, hour_ms, len(hot))


def _prepare(
    database: Database, site_id: int, hour_ms: int, hot: Sequence[Poll]
) -> tuple[Seen, Packed, HourRollup]:
    day_ms = _floor(hour_ms, DAY_MS)
    with database.reading() as conn:
        seen = look(conn, site_id, day_ms, day_ms + DAY_MS)
        old = load_chunks(conn, site_id, hour_ms, hour_ms + HOUR_MS)
        used = {chunk.layout_id for chunk in old} | {poll.layout_id for poll in hot}
        layouts = load_layouts(conn, used)
    change = packed(_enlarged(site_id, hour_ms, old, hot_columns(hot, layouts)))
    parts = hour_parts(hour_ms, [*old, *change.chunks], layouts)
    return seen, change, roll_up(parts, hour_ms)


def _enlarged(
    site_id: int, hour_ms: int, old: Sequence[Chunk], new: Mapping[int, PollColumns]
) -> Iterator[Chunk]:
    """Yield a chunk a layout with the new polls beside the old: the day's where there is one."""
    for layout_id, columns in new.items():
        mine = [chunk for chunk in old if chunk.layout_id == layout_id]
        if not mine:
            yield Chunk(site_id, hour_ms, HOUR, layout_id, columns)
            continue
        before = max(mine, key=lambda chunk: chunk.span)
        yield replace(before, columns=both_passes(before.columns, columns))


def hour_parts(
    hour_ms: int, chunks: Iterable[Chunk], layouts: Mapping[int, SiteLayout]
) -> list[Part]:
    """Return an hour's polls, one part a layout; polls found twice are there once."""
    found: dict[int, list[PollColumns]] = {}
    for chunk in chunks:
        inside = chunk.columns.between(hour_ms, hour_ms + HOUR_MS)
        found.setdefault(chunk.layout_id, []).append(inside)
    return [Part(layouts[number], merge(*some)) for number, some in sorted(found.items())]


def _drop_hot(conn: Connection, hot: Sequence[Poll]) -> None:
    """Delete exactly the rows that were merged: what came since stays, for the next time."""
    mark = "?" if conn.dialect.name == "sqlite" else "%s"
    keys = [(poll.at_ms, poll.site_id) for poll in hot]
    if keys:
        conn.exec_driver_sql(f"DELETE FROM poll WHERE at_ms = {mark} AND site_id = {mark}", keys)


def unmark(conn: Connection, site_id: int, hour_ms: int) -> None:
    """Take the mark away that an hour has to be computed again."""
    conn.execute(_UNMARK, {"site": site_id, "hour": hour_ms})


# --- days -----------------------------------------------------------------------------


def _merge_days(database: Database, now_ms: int, stop: Callable[[], bool]) -> None:
    end_ms = _floor(now_ms - _DAY_AFTER_MS, DAY_MS)
    table = schema.chunk
    with database.reading() as conn:
        query = select(table.c.site_id, table.c.start_ms).where(
            table.c.span == HOUR, table.c.start_ms < end_ms
        )
        days = {(_floor(start_ms, DAY_MS), site_id) for site_id, start_ms in conn.execute(query)}
    for day_ms, site_id in sorted(days):
        if stop():
            return
        try:
            _merge_day(database, site_id, day_ms)
        except DecodeError as error:
            log.error("day not merged site=%d day_ms=%d: %s", site_id, day_ms, error)


def _merge_day(database: Database, site_id: int, day_ms: int) -> None:
    with database.reading() as conn:
        seen = look(conn, site_id, day_ms, day_ms + DAY_MS)
        chunks = load_chunks(conn, site_id, day_ms, day_ms + DAY_MS)
    change = merged_day(site_id, day_ms, chunks)
    with database.writing() as conn:
        if still_so(conn, seen):
            put_chunks(conn, site_id, change)


def merged_day(site_id: int, day_ms: int, chunks: Sequence[Chunk]) -> Packed:
    """Return one chunk a layout for a whole UTC day, in place of these."""
    by_layout: dict[int, list[Chunk]] = {}
    for chunk in sorted(chunks, key=lambda chunk: chunk.span):
        by_layout.setdefault(chunk.layout_id, []).append(chunk)
    days = [
        Chunk(site_id, day_ms, DAY, layout_id, merge(*(chunk.columns for chunk in some)))
        for layout_id, some in by_layout.items()
    ]
    return packed(days, [chunk.key for chunk in chunks if chunk.span == HOUR])


def _floor(at_ms: int, span_ms: int) -> int:
    return at_ms - at_ms % span_ms

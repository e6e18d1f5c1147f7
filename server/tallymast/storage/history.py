"""Stores polls of the past at once: chunks and rollups directly, a day at a time."""

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby

from tallymast.domain.errors import StorageError
from tallymast.domain.model import Poll, SiteLayout
from tallymast.domain.record.chunks import PollColumns, block_widths, columns_of
from tallymast.storage.batch import mark_hours
from tallymast.storage.chunks import (
    DAY_MS,
    HOUR,
    HOUR_MS,
    Chunk,
    load_chunks,
    look,
    put_chunks,
    still_so,
)
from tallymast.storage.days import load_contract
from tallymast.storage.engine import Database
from tallymast.storage.hours import hour_parts, merged_day, unmark
from tallymast.storage.layouts import load_layouts
from tallymast.storage.retention import kept_from
from tallymast.storage.rollups import put_rollup, roll_up

_TRIES = 5
_HOURS_A_STEP = 6  # so many hours' rollups are stored under one lock


def store_history(
    database: Database, site_id: int, layout: SiteLayout, polls: Iterable[Poll]
) -> int:
    """Store a site's polls of the past, ascending in time; return how many.

    Raises:
        StorageError: see ``store_day``.

    """
    stored = 0
    for some in _days(polls):
        columns = columns_of(some, block_widths(layout.blocks))
        store_day(database, site_id, layout, columns)
        stored += len(columns)
    return stored


def store_day(database: Database, site_id: int, layout: SiteLayout, columns: PollColumns) -> None:
    """Store a site's polls of one UTC day of the past, or of a part of it.

    They merge with what is there; the same polls may be stored twice. Beside a running poller
    it holds the write lock for milliseconds at a time.

    Args:
        database: where to.
        site_id: whose.
        layout: what they read; stored already (see ``layouts.keep_layout``).
        columns: at least one poll, all of one UTC day, ascending in time.

    Raises:
        StorageError: the database refused, or another writer kept changing the same day.

    """
    if not any(_stored(database, site_id, layout, columns) for _ in range(_TRIES)):
        raise StorageError(f"Another program kept changing the same day of site {site_id}.")


def _days(polls: Iterable[Poll]) -> Iterator[Sequence[Poll]]:
    for _, some in groupby(polls, key=lambda poll: poll.at_ms // DAY_MS):
        yield list(some)


def _stored(database: Database, site_id: int, layout: SiteLayout, columns: PollColumns) -> bool:
    day_ms = int(columns.at_ms[0]) // DAY_MS * DAY_MS
    with database.reading() as conn:
        seen = look(conn, site_id, day_ms, day_ms + DAY_MS)
        old = load_chunks(conn, site_id, day_ms, day_ms + DAY_MS)
        layouts = load_layouts(conn, {chunk.layout_id for chunk in old} | {layout.id})
        contract = load_contract(conn)
        if day_ms < kept_from(conn):
            raise StorageError("Polls of that day were given up; what they added up to stays.")
    new = Chunk(site_id, day_ms, HOUR, layout.id, columns)
    change = merged_day(site_id, day_ms, [*old, new])
    hours = sorted(set((columns.at_ms // HOUR_MS * HOUR_MS).tolist()))
    rollups = [
        (hour_ms, roll_up(hour_parts(hour_ms, change.chunks, layouts), hour_ms))
        for hour_ms in hours
    ]
    with database.writing() as conn:
        if not still_so(conn, seen):
            return False
        put_chunks(conn, site_id, change)
        mark_hours(conn, ((site_id, hour_ms) for hour_ms in hours))
        now = look(conn, site_id, day_ms, day_ms + DAY_MS)
    for first in range(0, len(rollups), _HOURS_A_STEP):
        with database.writing() as conn:
            if not still_so(conn, now):  # the hours stay marked, and are redone from what is there
                break
            for hour_ms, rollup in rollups[first : first + _HOURS_A_STEP]:
                put_rollup(conn, site_id, hour_ms, rollup, contract)
                unmark(conn, site_id, hour_ms)
    return True

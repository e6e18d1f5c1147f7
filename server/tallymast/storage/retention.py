"""Gives up old polls, a slice at a time; hours and days of the record stay.

What is given up is remembered first (``kept_from``): a poll that comes for such a day later
changes nothing that was computed from all of its polls.
"""

from collections.abc import Callable
from typing import Final

from sqlalchemy import Connection, and_, delete, select

from tallymast.storage import schema, setting
from tallymast.storage.chunks import DAY_MS
from tallymast.storage.engine import Database
from tallymast.storage.volume_marks import KIND, TAKEN

_KEY: Final = "polls.kept-from"
_SLICE: Final = 8  # chunks under one lock; ours: a few milliseconds

_chunk, _dirty = schema.chunk, schema.dirty


def kept_from(conn: Connection) -> int:
    """Return from which instant on polls are there, 0 where none were given up."""
    return int(setting.load(conn, _KEY) or 0)


def give_up(database: Database, cutoff_ms: int, *, stop: Callable[[], bool] = lambda: False) -> int:
    """Delete the stored polls of whole UTC days before an instant; return how many chunks.

    Days that are still to be closed or computed stay until that is done. Cut short, the rest
    goes the next time.

    Raises:
        StorageError: the database refused; what is deleted stays deleted.

    """
    cutoff_ms -= cutoff_ms % DAY_MS
    with database.reading() as conn:
        cutoff_ms = min([cutoff_ms, *_unfinished(conn)])
        if not _oldest(conn, cutoff_ms):
            return 0
    with database.writing() as conn:
        setting.keep(conn, _KEY, str(max(kept_from(conn), cutoff_ms)))
    gone = 0
    while not stop():
        with database.writing() as conn:
            some = _oldest(conn, cutoff_ms)
            for site_id, start_ms in some:
                conn.execute(
                    delete(_chunk).where(
                        and_(_chunk.c.site_id == site_id, _chunk.c.start_ms == start_ms)
                    )
                )
        gone += len(some)
        if len(some) < _SLICE:
            break
    return gone


def _oldest(conn: Connection, cutoff_ms: int) -> list[tuple[int, int]]:
    """Return a slice of the chunks that lie wholly before an instant, site by site."""
    found: list[tuple[int, int]] = []
    for site_id in conn.execute(select(schema.site.c.id).order_by(schema.site.c.id)).scalars():
        query = (
            select(_chunk.c.start_ms)
            .where(_chunk.c.site_id == site_id, _chunk.c.start_ms < cutoff_ms)
            .order_by(_chunk.c.start_ms)
            .distinct()
            .limit(_SLICE - len(found))
        )
        found += [(site_id, start_ms) for start_ms in conn.execute(query).scalars()]
        if len(found) >= _SLICE:
            break
    return found


def _unfinished(conn: Connection) -> list[int]:
    """Return the beginning of the oldest day that is not closed, or marked to be done again."""
    poll = schema.poll
    hot = conn.execute(select(poll.c.at_ms).order_by(poll.c.at_ms).limit(1)).scalar()
    marked = conn.execute(
        select(_dirty.c.start_ms)
        .where(_dirty.c.kind.in_(("hour", "day", "pack", KIND, TAKEN)))
        .order_by(_dirty.c.start_ms)
        .limit(1)
    ).scalar()
    return [at_ms - at_ms % DAY_MS for at_ms in (hot, marked) if at_ms is not None]

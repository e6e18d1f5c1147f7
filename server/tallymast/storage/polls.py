"""Reads a site's polls one by one, for lists and the API."""

from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection

from tallymast.domain.model import Poll
from tallymast.domain.record.chunks import polls_of
from tallymast.storage.chunks import HOUR_MS
from tallymast.storage.parts import read_parts

_FIRST_LOOK_MS: Final = 2 * HOUR_MS


@dataclass(frozen=True, slots=True)
class Page:
    """Some polls, and where to go on; ``next`` is None at the end."""

    items: list[Poll]
    next: int | None


def polls_between(
    conn: Connection,
    site_id: int,
    from_ms: int,
    to_ms: int,
    limit: int,
    after: int | None = None,
    *,
    newest_first: bool = False,
) -> Page:
    """Return polls of ``from_ms <= at_ms < to_ms``.

    Args:
        conn: a reading connection.
        site_id: whose.
        from_ms: the span's beginning.
        to_ms: its end, not included.
        limit: at most so many.
        after: ``next`` of the page before.
        newest_first: begin at the end.

    """
    if after is not None:
        from_ms, to_ms = (from_ms, after) if newest_first else (after + 1, to_ms)
    found = _gather(conn, site_id, from_ms, to_ms, limit + 1, newest_first)
    more = len(found) > limit
    items = found[:limit]
    return Page(items, items[-1].at_ms if more and items else None)


def _gather(
    conn: Connection, site_id: int, from_ms: int, to_ms: int, enough: int, newest_first: bool
) -> list[Poll]:
    """Look into windows that double, so that a short list unpacks few chunks."""
    found: list[Poll] = []
    window_ms = _FIRST_LOOK_MS
    while from_ms < to_ms and len(found) < enough:
        if newest_first:
            start, end = max(from_ms, to_ms - window_ms), to_ms
            to_ms = start
        else:
            start, end = from_ms, min(to_ms, from_ms + window_ms)
            from_ms = end
        some = _polls(conn, site_id, start, end, enough, newest_first)
        found += reversed(some) if newest_first else some
        window_ms *= 2
    return found


def _polls(
    conn: Connection, site_id: int, from_ms: int, to_ms: int, enough: int, newest_first: bool
) -> list[Poll]:
    wanted = slice(-enough, None) if newest_first else slice(0, enough)  # of each layout
    parts = read_parts(conn, site_id, from_ms, to_ms)
    polls = [
        poll
        for part in parts
        for poll in polls_of(part.columns.take(wanted), site_id, part.layout.id)
    ]
    return sorted(polls, key=lambda poll: poll.at_ms)

"""Reads a site's polls wherever they are: hot rows, hour chunks, day chunks."""

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace

from sqlalchemy import Connection, select

from tallymast.domain.errors import DecodeError
from tallymast.domain.model import Outcome, Poll, PollFlag, SiteLayout
from tallymast.domain.record.chunks import PollColumns, block_widths, columns_of, merge
from tallymast.domain.record.passes import both_passes
from tallymast.storage import schema
from tallymast.storage.chunks import WordsOf, load_chunks
from tallymast.storage.layouts import load_layouts

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Part:
    """A site's polls of a span under one layout."""

    layout: SiteLayout
    columns: PollColumns


def read_parts(
    conn: Connection, site_id: int, from_ms: int, to_ms: int, words_of: WordsOf | None = None
) -> list[Part]:
    """Return a site's polls of a span, hot and stored, one part a layout, oldest first.

    To be called in one read transaction: an hour that closes meanwhile is then seen either
    hot or stored, never both or neither.
    """
    chunks = load_chunks(conn, site_id, from_ms, to_ms, words_of)
    hot = hot_polls(conn, from_ms, to_ms, site_id).get(site_id, [])
    used = {chunk.layout_id for chunk in chunks} | {poll.layout_id for poll in hot}
    layouts = load_layouts(conn, used)
    pieces: dict[int, list[PollColumns]] = {}
    for chunk in chunks:
        pieces.setdefault(chunk.layout_id, []).append(chunk.columns.between(from_ms, to_ms))
    whole = {layout_id: merge(*some) for layout_id, some in pieces.items()}
    for layout_id, columns in hot_columns(hot, layouts).items():
        filled = words_of(layouts[layout_id]) if words_of else None
        kept = whole.get(layout_id)
        whole[layout_id] = columns if kept is None else both_passes(kept, columns, filled)
    parts = [Part(layouts[layout_id], columns) for layout_id, columns in whole.items()]
    return sorted(
        (part for part in parts if len(part.columns)), key=lambda part: int(part.columns.at_ms[0])
    )


def hot_polls(
    conn: Connection, from_ms: int, to_ms: int, site_id: int | None = None
) -> dict[int, list[Poll]]:
    """Return the polls of a span that are in no chunk yet, by site, oldest first."""
    table = schema.poll
    query = select(table).where(table.c.at_ms >= from_ms, table.c.at_ms < to_ms)
    if site_id is not None:
        query = query.where(table.c.site_id == site_id)
    polls: dict[int, list[Poll]] = {}
    for row in conn.execute(query.order_by(table.c.at_ms, table.c.site_id)):
        polls.setdefault(row[1], []).append(poll_of(*row))
    return polls


def poll_of(
    at_ms: int,
    site_id: int,
    outcome: int,
    flags: int,
    tries: int,
    answer_ms: float | None,
    layout_id: int,
    got: int,
    code: int,
    words: bytes,
) -> Poll:
    """Return a hot row's poll."""
    return Poll(
        site_id,
        at_ms,
        Outcome(outcome),
        PollFlag(flags),
        tries,
        answer_ms,
        layout_id,
        got,
        code,
        bytes(words),
    )


def hot_columns(polls: Sequence[Poll], layouts: dict[int, SiteLayout]) -> dict[int, PollColumns]:
    """Return hot polls by layout, as columns.

    A poll whose words do not fit its layout (a bug, or a damaged row) keeps its outcome and
    time and loses its words, so that it never stops an hour from closing.
    """
    by_layout: dict[int, list[Poll]] = {}
    for poll in polls:
        by_layout.setdefault(poll.layout_id, []).append(poll)
    columns = {}
    for layout_id, some in by_layout.items():
        widths = block_widths(layouts[layout_id].blocks)
        try:
            columns[layout_id] = columns_of(some, widths)
        except DecodeError:
            columns[layout_id] = columns_of([_fit(poll, widths) for poll in some], widths)
    return columns


def _fit(poll: Poll, widths: tuple[int, ...]) -> Poll:
    try:
        columns_of([poll], widths)
    except DecodeError as error:
        log.error("poll site=%d at_ms=%d loses its words: %s", poll.site_id, poll.at_ms, error)
        return replace(poll, got=0, words=b"")
    return poll

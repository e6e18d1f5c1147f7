"""Stores one second's worth of what the poller said, inside the caller's transaction."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, select

from tallymast.domain.model import GatewayState, Poll, SiteState
from tallymast.domain.record.passes import instants_near
from tallymast.storage import schema
from tallymast.storage.changes import insert_many
from tallymast.storage.episodes import close_episode, open_episode
from tallymast.storage.states import store_states

HOUR_MS = 3_600_000
CLOSE_AFTER_MS = 180_000  # an hour is closed 3 min after its end


@dataclass(frozen=True, slots=True)
class EpisodeChange:
    """The beginning (``to_ms`` None) or the end of an episode, as the poller tells it."""

    kind: str
    gateway_id: int | None
    site_id: int | None
    from_ms: int
    to_ms: int | None
    reason: str


@dataclass(frozen=True, slots=True)
class Batch:
    """What is stored in one transaction."""

    polls: Sequence[Poll]
    sites: Collection[SiteState]
    gateways: Collection[GatewayState]
    episodes: Sequence[EpisodeChange]


def store_batch(conn: Connection, batch: Batch, now_ms: int) -> None:
    """Store polls, newest states and episodes; the same batch may come twice."""
    store_polls(conn, batch.polls)
    late = [poll for poll in batch.polls if _hour(poll) + HOUR_MS + CLOSE_AFTER_MS <= now_ms]
    if late:
        mark_dirty(conn, late)
    if batch.sites or batch.gateways:
        store_states(conn, batch.sites, batch.gateways)
    for change in batch.episodes:
        _store_episode(conn, change)


def store_polls(conn: Connection, polls: Sequence[Poll]) -> None:
    """Store hot rows; a poll that is there already stays as it is.

    Another poll of the same site and millisecond, as a clock that was set back may bring, is
    kept beside it, at the first free millisecond (``passes.instants_near``).
    """
    rows = [_row(poll) for poll in polls]
    if rows and insert_many(conn, schema.poll, rows, keep=True) < len(rows):
        for row in rows:
            _store_beside(conn, row)


def _store_beside(conn: Connection, row: tuple[Any, ...]) -> None:
    """Store a poll whose place another may have taken; nothing if it is stored already."""
    table = schema.poll
    first_ms, site_id, *content = row
    for at_ms in instants_near(first_ms):
        query = select(table).where(table.c.at_ms == at_ms, table.c.site_id == site_id)
        there = conn.execute(query).one_or_none()
        if there is None:
            insert_many(conn, table, [(at_ms, site_id, *content)])
            return
        if [*there[2:-1], bytes(there[-1])] == content:
            return


def mark_dirty(conn: Connection, polls: Iterable[Poll]) -> None:
    """Note that closed hours of these polls have to be computed again."""
    mark_hours(conn, ((poll.site_id, _hour(poll)) for poll in polls))


def mark_hours(conn: Connection, hours: Iterable[tuple[int, int]]) -> None:
    """Note that hours, each a site and a beginning, have to be computed again."""
    rows = [("hour", site_id, hour_ms) for site_id, hour_ms in sorted(set(hours))]
    if rows:
        insert_many(conn, schema.dirty, rows, keep=True)


def _row(poll: Poll) -> tuple[Any, ...]:
    return (
        poll.at_ms,
        poll.site_id,
        int(poll.outcome),
        int(poll.flags),
        poll.tries,
        poll.answer_ms,
        poll.layout_id,
        poll.got,
        poll.code,
        poll.words,
    )


def _hour(poll: Poll) -> int:
    return poll.at_ms - poll.at_ms % HOUR_MS


def _store_episode(conn: Connection, change: EpisodeChange) -> None:
    gateway_id, site_id = change.gateway_id, change.site_id
    if change.to_ms is not None and close_episode(
        conn, change.kind, to_ms=change.to_ms, gateway_id=gateway_id, site_id=site_id
    ):
        return
    open_episode(
        conn,
        change.kind,
        from_ms=change.from_ms,
        to_ms=change.to_ms,
        reason=change.reason,
        gateway_id=gateway_id,
        site_id=site_id,
    )

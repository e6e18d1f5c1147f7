"""Keeps episodes: spans of time in which something held for a site, a gateway or the whole.

Kinds: maintenance, not-polled, outage, gateway, common, clock, storage, poller.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, Row, insert, or_, select, update

from tallymast.storage import schema
from tallymast.storage.changes import canonical, log_change

_table = schema.episode


@dataclass(frozen=True, slots=True)
class Episode:
    """One span of time; ``to_ms`` is None while it lasts."""

    id: int
    kind: str
    gateway_id: int | None
    site_id: int | None
    from_ms: int
    to_ms: int | None
    reason: str  # a sentence
    actor: str = ""  # who began it; empty: the machine
    planned_end_ms: int | None = None
    detail: Mapping[str, Any] = field(default_factory=dict)


def open_episode(
    conn: Connection,
    kind: str,
    *,
    from_ms: int,
    reason: str,
    gateway_id: int | None = None,
    site_id: int | None = None,
    to_ms: int | None = None,
    planned_end_ms: int | None = None,
    actor: str = "",
    detail: Mapping[str, Any] | None = None,
) -> int:
    """Begin an episode (or store a whole one, with ``to_ms``); return its id."""
    row = {
        "kind": kind,
        "gateway_id": gateway_id,
        "site_id": site_id,
        "from_ms": from_ms,
        "to_ms": to_ms,
        "planned_end_ms": planned_end_ms,
        "reason": reason,
        "actor": actor,
        "detail": canonical(dict(detail or {})),
    }
    number = int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())
    log_change(conn, from_ms, "episode", str(number))
    return number


def close_episode(
    conn: Connection,
    kind: str,
    *,
    to_ms: int,
    gateway_id: int | None = None,
    site_id: int | None = None,
) -> int:
    """End every open episode of this kind and subject; return how many there were."""
    where = (
        _table.c.kind == kind,
        _table.c.gateway_id.is_not_distinct_from(gateway_id),
        _table.c.site_id.is_not_distinct_from(site_id),
        _table.c.to_ms.is_(None),
    )
    ended = conn.execute(update(_table).where(*where).values(to_ms=to_ms)).rowcount
    if ended:
        log_change(conn, to_ms, "episode", kind)
    return ended


def open_acts(conn: Connection) -> list[Episode]:
    """Return the sites' maintenance and not-polled episodes that have not ended, oldest first."""
    query = select(_table).where(
        _table.c.kind.in_(("maintenance", "not-polled")),
        _table.c.site_id.is_not(None),
        _table.c.to_ms.is_(None),
    )
    return [_episode(row) for row in conn.execute(query.order_by(_table.c.from_ms, _table.c.id))]


def between(
    conn: Connection,
    from_ms: int,
    to_ms: int,
    *,
    site_id: int | None = None,
    kind: str | None = None,
) -> list[Episode]:
    """Return the episodes that touch a span, oldest first.

    Args:
        conn: a reading connection.
        from_ms: the span's start.
        to_ms: its end, not included.
        site_id: only this site's own.
        kind: only this kind.

    """
    query = select(_table).where(
        _table.c.from_ms < to_ms, or_(_table.c.to_ms.is_(None), _table.c.to_ms > from_ms)
    )
    if site_id is not None:
        query = query.where(_table.c.site_id == site_id)
    if kind is not None:
        query = query.where(_table.c.kind == kind)
    rows = conn.execute(query.order_by(_table.c.from_ms, _table.c.id))
    return [_episode(row) for row in rows]


def _episode(row: Row[Any]) -> Episode:
    return Episode(
        id=row.id,
        kind=row.kind,
        gateway_id=row.gateway_id,
        site_id=row.site_id,
        from_ms=row.from_ms,
        to_ms=row.to_ms,
        reason=row.reason,
        actor=row.actor,
        planned_end_ms=row.planned_end_ms,
        detail=json.loads(row.detail),
    )

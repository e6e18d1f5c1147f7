"""Keeps each site's log book. Notes are never changed: a better one replaces an older one."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, insert, select

from tallymast.storage import schema
from tallymast.storage.changes import log_change

_table = schema.note


@dataclass(frozen=True, slots=True)
class Note:
    """What somebody wrote about a site; kinds: visit, repair, observation, handover."""

    id: int
    site_id: int
    at_ms: int
    actor: str
    kind: str
    text: str
    replaces_id: int | None = None


def add(
    conn: Connection,
    site_id: int,
    *,
    at_ms: int,
    actor: str,
    kind: str,
    text: str,
    replaces_id: int | None = None,
) -> Note:
    """Store a note and return it."""
    row = {
        "site_id": site_id,
        "at_ms": at_ms,
        "actor": actor,
        "kind": kind,
        "text": text,
        "replaces_id": replaces_id,
    }
    number = int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())
    log_change(conn, at_ms, "note", str(number))
    return Note(number, site_id, at_ms, actor, kind, text, replaces_id)


def of_site(conn: Connection, site_id: int, limit: int = 100) -> list[Note]:
    """Return a site's newest notes, newest first; replaced ones are left out."""
    replaced = select(_table.c.replaces_id).where(_table.c.replaces_id.is_not(None))
    query = (
        select(_table)
        .where(_table.c.site_id == site_id, _table.c.id.not_in(replaced))
        .order_by(_table.c.at_ms.desc(), _table.c.id.desc())
        .limit(limit)
    )
    return [_note(row) for row in conn.execute(query)]


def standing(conn: Connection, site_id: int, note_id: int) -> Note | None:
    """Return a note of a site's log book, None where there is none or it was replaced already."""
    newer = select(_table.c.id).where(_table.c.replaces_id == note_id)
    where = (_table.c.id == note_id, _table.c.site_id == site_id, ~newer.exists())
    row = conn.execute(select(_table).where(*where)).one_or_none()
    return _note(row) if row else None


def _note(row: Row[Any]) -> Note:
    return Note(row.id, row.site_id, row.at_ms, row.actor, row.kind, row.text, row.replaces_id)

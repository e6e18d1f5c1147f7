"""Keeps files somebody sent to change the network until they are used, discarded or too old.

A draft may hold what opens locks: it is shown to whoever sent it and to nobody else, and its
body goes when it ends.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, Row, insert, select, update

from tallymast.storage import schema
from tallymast.storage.changes import canonical

KEPT_MS: Final = 7 * 24 * 3_600_000  # ours: who comes back later has a newer file

_table = schema.draft


@dataclass(frozen=True, slots=True)
class Draft:
    """One file as it was sent, or as it was mended since.

    Attributes:
        kind: ``network`` (a network file's text) or ``tables``.
        name: of the file.
        account_id: whose it is; None where there are no accounts.
        revision_id: the network's newest revision when it was sent.
        body: what it holds.

    """

    id: int
    kind: str
    name: str
    made_ms: int
    actor: str
    account_id: int | None
    revision_id: int
    body: Mapping[str, Any]


def add(
    conn: Connection,
    kind: str,
    name: str,
    body: Mapping[str, Any],
    *,
    actor: str,
    account_id: int | None,
    revision_id: int,
    at_ms: int,
) -> int:
    """Store a draft; return its number."""
    row = {
        "kind": kind,
        "name": name,
        "made_ms": at_ms,
        "actor": actor,
        "account_id": account_id,
        "revision_id": revision_id,
        "body": canonical(dict(body)),
    }
    return int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())


def of_id(conn: Connection, number: int, account_id: int | None, now_ms: int) -> Draft | None:
    """Return somebody's draft that is still open; None where there is no such one."""
    mine = (
        _table.c.account_id.is_(None) if account_id is None else _table.c.account_id == account_id
    )
    query = select(_table).where(
        _table.c.id == number,
        mine,
        _table.c.ended_ms.is_(None),
        _table.c.made_ms > now_ms - KEPT_MS,
    )
    row = conn.execute(query).one_or_none()
    return None if row is None else _draft(row)


def open_of(conn: Connection, account_id: int | None, now_ms: int) -> list[Draft]:
    """Return somebody's open drafts, the newest first, without what they hold."""
    mine = (
        _table.c.account_id.is_(None) if account_id is None else _table.c.account_id == account_id
    )
    columns = [one for one in _table.c if one.name != "body"]
    query = (
        select(*columns)
        .where(mine, _table.c.ended_ms.is_(None), _table.c.made_ms > now_ms - KEPT_MS)
        .order_by(_table.c.id.desc())
    )
    return [_draft(row, is_bare=True) for row in conn.execute(query)]


def put_body(conn: Connection, number: int, body: Mapping[str, Any]) -> None:
    """Put what was mended in the place of what was sent."""
    conn.execute(update(_table).where(_table.c.id == number).values(body=canonical(dict(body))))


def end(conn: Connection, number: int, at_ms: int) -> None:
    """End a draft: it was used or discarded; what it held is forgotten."""
    conn.execute(update(_table).where(_table.c.id == number).values(ended_ms=at_ms, body="{}"))


def end_old(conn: Connection, now_ms: int) -> int:
    """End the drafts that are too old; return how many."""
    old = (_table.c.ended_ms.is_(None), _table.c.made_ms <= now_ms - KEPT_MS)
    return conn.execute(update(_table).where(*old).values(ended_ms=now_ms, body="{}")).rowcount


def _draft(row: Row[Any], is_bare: bool = False) -> Draft:
    return Draft(
        id=row.id,
        kind=row.kind,
        name=row.name,
        made_ms=row.made_ms,
        actor=row.actor,
        account_id=row.account_id,
        revision_id=row.revision_id,
        body={} if is_bare else json.loads(row.body),
    )

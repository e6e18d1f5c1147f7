"""Keeps who did what, when and from where. Rows are only ever added; a trigger holds that."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, func, insert, or_, select

from tallymast.domain.audit import Act
from tallymast.storage import schema
from tallymast.storage.changes import canonical

_table = schema.audit


@dataclass(frozen=True, slots=True)
class Entry:
    """One act as it was written down."""

    id: int
    at_ms: int
    actor: str
    account_id: int | None
    address: str
    action: str
    subject_kind: str
    subject_key: str
    before: Mapping[str, Any]
    after: Mapping[str, Any]
    sentence: str


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which entries are asked for; empty words ask for all."""

    from_ms: int = 0
    to_ms: int = 2**62
    words: str = ""
    actor: str = ""
    action: str = ""


def add(
    conn: Connection,
    act: Act,
    *,
    at_ms: int,
    actor: str,
    account_id: int | None = None,
    address: str = "",
) -> None:
    """Write an act down, in the transaction of what it did."""
    row = {
        "at_ms": at_ms,
        "actor": actor,
        "account_id": account_id,
        "address": address,
        "action": act.action,
        "subject_kind": act.subject_kind,
        "subject_key": act.subject,
        "before": canonical(dict(act.before)) if act.before else None,
        "after": canonical(dict(act.after)) if act.after else None,
        "sentence": act.sentence(actor),
    }
    conn.execute(insert(_table), row)


def search(
    conn: Connection, wanted: Wanted, limit: int, before_id: int | None = None
) -> list[Entry]:
    """Return entries, the newest first.

    Args:
        conn: a reading connection.
        wanted: which.
        limit: how many at most.
        before_id: only those written before this one.

    """
    query = select(_table).where(_table.c.at_ms >= wanted.from_ms, _table.c.at_ms < wanted.to_ms)
    if before_id is not None:
        query = query.where(_table.c.id < before_id)
    if wanted.actor:
        query = query.where(_table.c.actor == wanted.actor)
    if wanted.action:
        query = query.where(_table.c.action.startswith(wanted.action, autoescape=True))
    for word in wanted.words.lower().split():
        columns = (_table.c.sentence, _table.c.address, _table.c.subject_key)
        query = query.where(
            or_(*(func.lower(one).contains(word, autoescape=True) for one in columns))
        )
    rows = conn.execute(query.order_by(_table.c.id.desc()).limit(limit))
    return [_entry(row) for row in rows]


def _entry(row: Row[Any]) -> Entry:
    return Entry(
        id=row.id,
        at_ms=row.at_ms,
        actor=row.actor,
        account_id=row.account_id,
        address=row.address,
        action=row.action,
        subject_kind=row.subject_kind,
        subject_key=row.subject_key,
        before=json.loads(row.before) if row.before else {},
        after=json.loads(row.after) if row.after else {},
        sentence=row.sentence,
    )

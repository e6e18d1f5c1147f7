"""Reads the list of what changed the network; what each changed stays in changing.py's hands."""

import json
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, select

from tallymast.storage import schema

_table = schema.revision


@dataclass(frozen=True, slots=True)
class Revision:
    """One change of the network.

    Attributes:
        source: ``form``, ``file``, ``csv``, ``undo`` or ``api``.
        undoes: the revision it took back, if it did.
        undone_by: the newest revision that took it back, if one did.

    """

    number: int
    at_ms: int
    actor: str
    source: str
    sentence: str
    undoes: int | None = None
    undone_by: int | None = None


def newest(conn: Connection, limit: int, before: int | None = None) -> list[Revision]:
    """Return revisions, the newest first.

    Args:
        conn: a reading connection.
        limit: how many at most.
        before: only those with a smaller number.

    """
    query = select(*_columns()).order_by(_table.c.id.desc()).limit(limit)
    if before is not None:
        query = query.where(_table.c.id < before)
    rows = conn.execute(query).all()
    undone = _undone_by(conn, [row.id for row in rows])
    return [_revision(row, undone.get(row.id)) for row in rows]


def of_number(conn: Connection, number: int) -> Revision | None:
    """Return one revision, None where there is none of this number."""
    row = conn.execute(select(*_columns()).where(_table.c.id == number)).one_or_none()
    return None if row is None else _revision(row, _undone_by(conn, [number]).get(number))


def later(conn: Connection, number: int) -> list[tuple[int, list[list[Any]]]]:
    """Return number and differences of every revision after one, oldest first.

    The differences hold the codes of locks.
    """
    query = select(_table.c.id, _table.c.diff).where(_table.c.id > number).order_by(_table.c.id)
    return [(row.id, json.loads(row.diff)) for row in conn.execute(query)]


def first(conn: Connection) -> int | None:
    """Return the number of the first revision that is kept."""
    return conn.execute(select(_table.c.id).order_by(_table.c.id).limit(1)).scalar()


def _columns() -> list[Any]:
    return [one for one in _table.c if one.name != "diff"]


def _undone_by(conn: Connection, numbers: list[int]) -> dict[int, int]:
    query = (
        select(_table.c.undoes_id, _table.c.id)
        .where(_table.c.undoes_id.in_(numbers))
        .order_by(_table.c.id)
    )
    return {row.undoes_id: row.id for row in conn.execute(query)}


def _revision(row: Row[Any], undone_by: int | None) -> Revision:
    return Revision(
        row.id, row.at_ms, row.actor, row.source, row.sentence, row.undoes_id, undone_by
    )

"""Keeps what is due: at a site or in general, once or every so many months."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from tallymast.storage import schema
from tallymast.storage.changes import log_change

_table = schema.task


@dataclass(frozen=True, slots=True)
class Task:
    """One thing that is due on a local day [days since 1970]; ``site_id`` None: in general."""

    id: int
    site_id: int | None
    what: str
    due_day: int
    every_months: int | None
    made_ms: int
    actor: str
    done_ms: int | None = None
    done_by: str | None = None
    note: str = ""


def add(
    conn: Connection,
    *,
    site_id: int | None,
    what: str,
    due_day: int,
    every_months: int | None,
    at_ms: int,
    actor: str,
) -> Task:
    """Store a new task and return it."""
    row = {
        "site_id": site_id,
        "what": what,
        "due_day": due_day,
        "every_months": every_months,
        "made_ms": at_ms,
        "actor": actor,
        "note": "",
    }
    number = int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())
    log_change(conn, at_ms, "task", str(number))
    return Task(number, site_id, what, due_day, every_months, at_ms, actor)


def of_id(conn: Connection, task_id: int) -> Task | None:
    """Return a task, None where there was never one of this number."""
    row = conn.execute(select(_table).where(_table.c.id == task_id)).one_or_none()
    return _task(row) if row else None


def standing(conn: Connection, site_id: int | None = None) -> list[Task]:
    """Return tasks that are not done, the earliest due first; of one site, or all."""
    query = select(_table).where(_table.c.done_ms.is_(None))
    if site_id is not None:
        query = query.where(_table.c.site_id == site_id)
    rows = conn.execute(query.order_by(_table.c.due_day, _table.c.id))
    return [_task(row) for row in rows]


def done_lately(conn: Connection, limit: int) -> list[Task]:
    """Return the tasks that were done or withdrawn last, the newest first."""
    query = select(_table).where(_table.c.done_ms.is_not(None))
    query = query.order_by(_table.c.done_ms.desc(), _table.c.id.desc()).limit(limit)
    return [_task(row) for row in conn.execute(query)]


def finish(conn: Connection, task_id: int, *, at_ms: int, actor: str, note: str) -> bool:
    """Mark a task as done or withdrawn; whether it was still to do."""
    still = (_table.c.id == task_id, _table.c.done_ms.is_(None))
    values = {"done_ms": at_ms, "done_by": actor, "note": note}
    done = conn.execute(update(_table).where(*still).values(**values)).rowcount
    log_change(conn, at_ms, "task", str(task_id))
    return done > 0


def _task(row: Row[Any]) -> Task:
    return Task(**{name: getattr(row, name) for name in Task.__dataclass_fields__})

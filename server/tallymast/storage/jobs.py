"""Keeps the work people ask of the poller, and what became of it."""

from typing import Any

from sqlalchemy import Connection, Row, insert, select
from sqlalchemy import update as sql_update

from tallymast.domain.model import Job, JobState
from tallymast.storage import schema
from tallymast.storage.changes import log_change

_table = schema.job


def ask(
    conn: Connection,
    kind: str,
    *,
    site_id: int | None = None,
    gateway_id: int | None = None,
    actor: str,
    at_ms: int,
) -> Job:
    """Store a new job, waiting, and return it."""
    row = {
        "kind": kind,
        "site_id": site_id,
        "gateway_id": gateway_id,
        "params": "{}",
        "state": JobState.WAITING.value,
        "progress": 0.0,
        "result": "",
        "actor": actor,
        "asked_ms": at_ms,
    }
    number = int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())
    log_change(conn, at_ms, "job", str(number))
    return Job(number, kind, site_id, gateway_id, actor, at_ms)


def job(conn: Connection, job_id: int) -> Job | None:
    """Return a job, or None where there was never one of this number."""
    row = conn.execute(select(_table).where(_table.c.id == job_id)).one_or_none()
    return _job(row) if row else None


def waiting(conn: Connection) -> list[Job]:
    """Return the jobs nobody has begun, oldest first."""
    query = select(_table).where(_table.c.state == JobState.WAITING.value).order_by(_table.c.id)
    return [_job(row) for row in conn.execute(query)]


def asked_since(conn: Connection, from_ms: int) -> list[Job]:
    """Return the jobs asked from ``from_ms`` on, oldest first."""
    query = select(_table).where(_table.c.asked_ms >= from_ms).order_by(_table.c.id)
    return [_job(row) for row in conn.execute(query)]


def update(
    conn: Connection, job_id: int, state: JobState, progress: float, result: str, at_ms: int
) -> None:
    """Store where a job stands; one that has ended stays as it ended."""
    over = state in (JobState.DONE, JobState.FAILED)
    values = {
        "state": state.value,
        "progress": progress,
        "result": result,
        "done_ms": at_ms if over else None,
    }
    still = _table.c.state.in_((JobState.WAITING.value, JobState.RUNNING.value))
    conn.execute(sql_update(_table).where(_table.c.id == job_id, still).values(**values))
    log_change(conn, at_ms, "job", str(job_id))


def fail_abandoned(conn: Connection, at_ms: int) -> int:
    """Fail the jobs a poller that is gone was running; return how many.

    To be called once by a starting poller, before it runs any.
    """
    values = {
        "state": JobState.FAILED.value,
        "result": "Tallymast was ended while this was running; ask again.",
        "done_ms": at_ms,
    }
    running = _table.c.state == JobState.RUNNING.value
    return conn.execute(sql_update(_table).where(running).values(**values)).rowcount


def _job(row: Row[Any]) -> Job:
    return Job(
        id=row.id,
        kind=row.kind,
        site_id=row.site_id,
        gateway_id=row.gateway_id,
        actor=row.actor,
        asked_ms=row.asked_ms,
        state=JobState(row.state),
        progress=row.progress,
        result=row.result,
        done_ms=row.done_ms,
    )

"""Keeps the work people ask for, and what became of it."""

import json
from collections.abc import Collection, Mapping
from typing import Any, Final

from sqlalchemy import Connection, Row, insert, select
from sqlalchemy import update as sql_update

from tallymast.domain.model import Job, JobState
from tallymast.storage import schema
from tallymast.storage.changes import canonical, log_change

POLLER: Final = ("poll", "desk-test")  # kinds of work for the poller

_table = schema.job


def ask(
    conn: Connection,
    kind: str,
    *,
    site_id: int | None = None,
    gateway_id: int | None = None,
    actor: str,
    at_ms: int,
    params: Mapping[str, Any] | None = None,
) -> Job:
    """Store a new job, waiting, and return it; ``params`` says more of it, as JSON can."""
    row = {
        "kind": kind,
        "site_id": site_id,
        "gateway_id": gateway_id,
        "params": canonical(dict(params or {})),
        "state": JobState.WAITING.value,
        "progress": 0.0,
        "result": "",
        "actor": actor,
        "asked_ms": at_ms,
    }
    number = int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())
    log_change(conn, at_ms, "job", str(number))
    return Job(number, kind, site_id, gateway_id, actor, at_ms, params=params or {})


def job(conn: Connection, job_id: int) -> Job | None:
    """Return a job, or None where there was never one of this number."""
    row = conn.execute(select(_table).where(_table.c.id == job_id)).one_or_none()
    return _job(row) if row else None


def waiting(conn: Connection, kinds: Collection[str]) -> list[Job]:
    """Return the jobs of these kinds that nobody has begun, oldest first."""
    query = (
        select(_table)
        .where(_table.c.state == JobState.WAITING.value, _table.c.kind.in_(kinds))
        .order_by(_table.c.id)
    )
    return [_job(row) for row in conn.execute(query)]


def newest(conn: Connection, kind: str, limit: int) -> list[Job]:
    """Return the latest jobs of a kind, the newest first."""
    query = select(_table).where(_table.c.kind == kind).order_by(_table.c.id.desc()).limit(limit)
    return [_job(row) for row in conn.execute(query)]


def newest_of_site(conn: Connection, kind: str, site_id: int) -> Job | None:
    """Return the latest job of a kind at a site, None where there was none."""
    where = (_table.c.kind == kind, _table.c.site_id == site_id)
    query = select(_table).where(*where).order_by(_table.c.id.desc()).limit(1)
    row = conn.execute(query).one_or_none()
    return _job(row) if row else None


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


def fail_abandoned(conn: Connection, kinds: Collection[str], at_ms: int) -> int:
    """Fail the jobs of these kinds that somebody who is gone was running; return how many.

    To be called once by whoever does such work, before beginning any.
    """
    values = {
        "state": JobState.FAILED.value,
        "result": "Tallymast was ended while this was running; ask again.",
        "done_ms": at_ms,
    }
    running = (_table.c.state == JobState.RUNNING.value, _table.c.kind.in_(kinds))
    return conn.execute(sql_update(_table).where(*running).values(**values)).rowcount


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
        params=json.loads(row.params),
    )

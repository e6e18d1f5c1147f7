"""Keeps the work people ask for, and what became of it."""

import json
from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final

from sqlalchemy import Connection, Row, insert, select
from sqlalchemy import update as sql_update

from tallymast.domain.model import Job, JobState
from tallymast.storage import schema
from tallymast.storage.changes import canonical, insert_many, log_change

# Kinds of work for the poller: one poll; twenty; as many as asked for; which unit addresses
# answer; what a draft's blocks read at one address.
POLLER: Final = ("poll", "desk-test", "link-test", "scan", "try")

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


def add_rows(conn: Connection, job_id: int, rows: Sequence[tuple[int, Mapping[str, Any]]]) -> None:
    """Store what a running job found, each with its place in the order; the same again stays."""
    told = [(job_id, n, canonical(dict(body))) for n, body in rows]
    insert_many(conn, schema.job_row, told, keep=True)


def rows(conn: Connection, job_id: int) -> list[Mapping[str, Any]]:
    """Return what a job has found so far, in its order."""
    table = schema.job_row
    query = select(table.c.body).where(table.c.job_id == job_id).order_by(table.c.n)
    return [json.loads(body) for body in conn.execute(query).scalars()]


def ask_stop(conn: Connection, job_id: int, at_ms: int) -> bool:
    """Ask for the end of a job; return whether it was still to end."""
    still = _table.c.state.in_((JobState.WAITING.value, JobState.RUNNING.value))
    query = sql_update(_table).where(_table.c.id == job_id, still).values(stop_ms=at_ms)
    asked = conn.execute(query).rowcount > 0
    log_change(conn, at_ms, "job", str(job_id))
    return asked


def to_stop(conn: Connection) -> frozenset[int]:
    """Return the jobs whose end was asked for and that have not ended."""
    still = _table.c.state.in_((JobState.WAITING.value, JobState.RUNNING.value))
    query = select(_table.c.id).where(_table.c.stop_ms.is_not(None), still)
    return frozenset(conn.execute(query).scalars())


def newest_of_gateway(conn: Connection, kind: str, gateway_id: int) -> Job | None:
    """Return the latest job of a kind at a gateway, None where there was none."""
    where = (_table.c.kind == kind, _table.c.gateway_id == gateway_id)
    query = select(_table).where(*where).order_by(_table.c.id.desc()).limit(1)
    row = conn.execute(query).one_or_none()
    return _job(row) if row else None


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

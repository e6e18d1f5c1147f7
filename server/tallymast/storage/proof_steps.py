"""Keeps the steps of a proof in the order they were made; none is ever changed."""

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Row, func, insert, select

from tallymast.domain.commissioning.steps import Phase, Result, Step, StepKind, meaning_from
from tallymast.storage import schema
from tallymast.storage.changes import canonical, log_change

_table = schema.proof_step
_PLAIN = (
    "tag",
    "applied",
    "expected",
    "shown",
    "shown_ms",
    "error_pct",
    "tolerance_pct",
    "note",
    "at_ms",
    "actor",
)


def add(conn: Connection, proof_id: int, steps: Sequence[Step], *, at_ms: int) -> None:
    """Append steps to an open proof; each gets the next place, whatever its ``n`` says.

    Raises:
        StorageError: the proof is sealed.

    """
    query = select(func.coalesce(func.max(_table.c.n), 0)).where(_table.c.proof_id == proof_id)
    last = int(conn.execute(query).scalar_one())
    rows = [_row(proof_id, last + place, step) for place, step in enumerate(steps, 1)]
    if rows:
        conn.execute(insert(_table), rows)
        log_change(conn, at_ms, "proof", str(proof_id))


def of_proof(conn: Connection, proof_id: int) -> list[Step]:
    """Return the steps of a proof in their order."""
    query = select(_table).where(_table.c.proof_id == proof_id).order_by(_table.c.n)
    return [_step(row) for row in conn.execute(query)]


def of_proofs(conn: Connection, proof_ids: Iterable[int]) -> dict[int, list[Step]]:
    """Return the steps of several proofs, each in its order."""
    wanted = sorted(set(proof_ids))
    found: dict[int, list[Step]] = {number: [] for number in wanted}
    query = select(_table).where(_table.c.proof_id.in_(wanted))
    for row in conn.execute(query.order_by(_table.c.proof_id, _table.c.n)):
        found[row.proof_id].append(_step(row))
    return found


def _row(proof_id: int, n: int, step: Step) -> dict[str, Any]:
    read: dict[str, Any] = {}
    if step.meaning is not None:
        read = {"digest": step.meaning.digest, **step.meaning.as_json()}
    if step.raw is not None:
        read["read"] = step.raw
    if step.more:
        read["more"] = dict(step.more)
    return {
        "proof_id": proof_id,
        "n": n,
        "kind": step.kind.value,
        "phase": step.phase.value,
        "result": step.result.value,
        "meaning": canonical(read),
        **{name: getattr(step, name) for name in _PLAIN},
    }


def _step(row: Row[Any]) -> Step:
    read: Mapping[str, Any] = json.loads(row.meaning)
    return Step(
        n=row.n,
        kind=StepKind(row.kind),
        phase=Phase(row.phase),
        result=Result(row.result),
        meaning=meaning_from({k: v for k, v in read.items() if k not in ("read", "more")}),
        raw=read.get("read"),
        more=read.get("more", {}),
        **{name: getattr(row, name) for name in _PLAIN},
    )

"""Keeps what was proven at a site: each going through its points, sealed once it is signed."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from sqlalchemy import Connection, Row, insert, select, update

from tallymast.storage import schema
from tallymast.storage.changes import canonical, log_change

OPEN: Final = "open"
SIGNED: Final = "signed"
CHECKLIST: Final = "checklist"  # the kind of what is looked at before a season; no point
LEFT: Final = "left"  # given up; it proves nothing

_table = schema.proof


@dataclass(frozen=True, slots=True)
class Proof:
    """One going through a site's points.

    Attributes:
        kind: commissioning, repair or return (to service after a season).
        part_id: the station that was there, in the hardware register.
        follows_id: the proof this one repeats.
        made_ms: when it was done, where it was entered later from paper.
        at_site: who was at the site.
        at_base: who was at the base.
        versions: what was in force: revision of the network, Tallymast, the station's firmware.
        detail: what was found besides points, by key: switches, scan, link.

    """

    id: int
    site_id: int
    kind: str
    began_ms: int
    actor: str
    state: str = OPEN
    part_id: int | None = None
    follows_id: int | None = None
    made_ms: int | None = None
    signed_ms: int | None = None
    signed_name: str = ""
    at_site: str = ""
    at_base: str = ""
    versions: Mapping[str, Any] = field(default_factory=dict)
    detail: Mapping[str, Any] = field(default_factory=dict)
    note: str = ""


def begin(
    conn: Connection,
    site_id: int,
    kind: str,
    *,
    actor: str,
    at_ms: int,
    at_site: str = "",
    at_base: str = "",
    part_id: int | None = None,
    follows_id: int | None = None,
    made_ms: int | None = None,
) -> Proof:
    """Begin a proof and return it."""
    row = {
        "site_id": site_id,
        "kind": kind,
        "part_id": part_id,
        "follows_id": follows_id,
        "began_ms": at_ms,
        "made_ms": made_ms,
        "signed_name": "",
        "at_site": at_site,
        "at_base": at_base,
        "actor": actor,
        "state": OPEN,
        "versions": "{}",
        "detail": "{}",
        "note": "",
    }
    number = int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())
    log_change(conn, at_ms, "proof", str(number))
    found = of_id(conn, number)
    assert found is not None
    return found


def of_id(conn: Connection, proof_id: int) -> Proof | None:
    """Return a proof, or None where there was never one of this number."""
    row = conn.execute(select(_table).where(_table.c.id == proof_id)).one_or_none()
    return _proof(row) if row else None


def of_site(conn: Connection, site_id: int) -> list[Proof]:
    """Return the proofs of a site's points, the newest first; checklists are none."""
    where = (_table.c.site_id == site_id, _table.c.kind != CHECKLIST)
    query = select(_table).where(*where).order_by(_table.c.id.desc())
    return [_proof(row) for row in conn.execute(query)]


def checklists(conn: Connection, site_id: int) -> list[Proof]:
    """Return a site's checklists of what is looked at before a season, the newest first."""
    where = (_table.c.site_id == site_id, _table.c.kind == CHECKLIST)
    query = select(_table).where(*where).order_by(_table.c.id.desc())
    return [_proof(row) for row in conn.execute(query)]


def open_of(conn: Connection, site_id: int) -> Proof | None:
    """Return the proof of a site's points that is going on, or None."""
    return next((one for one in of_site(conn, site_id) if one.state == OPEN), None)


def put_detail(conn: Connection, proof: Proof, key: str, value: Any, *, at_ms: int) -> None:
    """Keep what was found besides points, as switches, scan or link, in an open proof."""
    known = of_id(conn, proof.id)
    detail = {**(known.detail if known else {}), key: value}
    query = update(_table).where(_table.c.id == proof.id).values(detail=canonical(detail))
    conn.execute(query)
    log_change(conn, at_ms, "proof", str(proof.id))


def put_said(
    conn: Connection, proof: Proof, *, at_site: str, at_base: str, note: str, at_ms: int
) -> None:
    """Keep who took part in an open proof, and what is remarked on it."""
    query = update(_table).where(_table.c.id == proof.id)
    conn.execute(query.values(at_site=at_site, at_base=at_base, note=note))
    log_change(conn, at_ms, "proof", str(proof.id))


def sign(
    conn: Connection, proof: Proof, *, name: str, versions: Mapping[str, Any], at_ms: int
) -> bool:
    """Sign an open proof, which seals it with its steps and photographs; return whether it was.

    Args:
        conn: a writing connection.
        proof: which.
        name: of who signs, as typed.
        versions: what was in force.
        at_ms: when.

    """
    values = {
        "state": SIGNED,
        "signed_ms": at_ms,
        "signed_name": name,
        "versions": canonical(dict(versions)),
    }
    return _end(conn, proof, values, at_ms)


def leave(conn: Connection, proof: Proof, *, at_ms: int) -> bool:
    """Give an open proof up: it is kept and proves nothing; return whether it was open."""
    return _end(conn, proof, {"state": LEFT}, at_ms)


def signed_of(conn: Connection, site_id: int) -> list[Proof]:
    """Return a site's signed proofs, the newest first."""
    return [one for one in of_site(conn, site_id) if one.state == SIGNED]


def _end(conn: Connection, proof: Proof, values: Mapping[str, Any], at_ms: int) -> bool:
    where = (_table.c.id == proof.id, _table.c.state == OPEN)
    ended = conn.execute(update(_table).where(*where).values(**values)).rowcount > 0
    log_change(conn, at_ms, "proof", str(proof.id))
    return ended


def _proof(row: Row[Any]) -> Proof:
    names = Proof.__dataclass_fields__
    known = {name: getattr(row, name) for name in names}
    return Proof(
        **{**known, "versions": json.loads(row.versions), "detail": json.loads(row.detail)}
    )

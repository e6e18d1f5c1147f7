"""Keeps a site's going through the checklist before it comes back into service after a season.

It is a proof of kind ``checklist`` without points: what was looked at stands in its detail.
"""

from typing import Any, Final

from sqlalchemy import Connection, update

from tallymast.storage import proofs, schema
from tallymast.storage.changes import log_change
from tallymast.storage.proofs import Proof

KIND: Final = proofs.CHECKLIST
CHECKS: Final = "return"  # the key of its detail

_table = schema.proof


def newest(conn: Connection, site_id: int) -> Proof | None:
    """Return a site's newest checklist, signed or not; None where there was none."""
    return next(iter(proofs.checklists(conn, site_id)), None)


def checks(proof: Proof | None) -> dict[str, Any]:
    """Return what was looked at: key -> {at_ms, actor, note}."""
    return dict(proof.detail.get(CHECKS, {})) if proof is not None else {}


def sign(conn: Connection, proof: Proof, *, at_ms: int, actor: str, note: str) -> bool:
    """Sign a checklist, which seals it; whether it was still open."""
    still = (_table.c.id == proof.id, _table.c.state == proofs.OPEN)
    values = {
        "state": proofs.SIGNED,
        "signed_ms": at_ms,
        "made_ms": at_ms,
        "signed_name": actor,
        "note": note,
    }
    done = conn.execute(update(_table).where(*still).values(**values)).rowcount
    log_change(conn, at_ms, "proof", str(proof.id))
    return done > 0

"""Puts a proposed network in the stored one's place: whole, or not at all."""

import json
from typing import Any

from sqlalchemy import Connection, select

from tallymast.domain.errors import TallymastError
from tallymast.domain.setup.proposals import Proposal
from tallymast.storage import schema
from tallymast.storage.network import revision, store_network


class ChangedMeanwhile(TallymastError):
    """Somebody else changed the network since the proposal was made; nothing was stored."""


def change(conn: Connection, proposal: Proposal, *, actor: str, at_ms: int) -> int:
    """Store a proposal; return the number of the new revision.

    Raises:
        ChangedMeanwhile: the network is not the one the proposal was made from any more.

    """
    if revision(conn) != proposal.base:
        raise ChangedMeanwhile(
            "Somebody changed the network while you looked at this change; nothing was stored. "
            "Look at it once more."
        )
    return store_network(
        conn,
        proposal.written,
        proposal.network,
        actor=actor,
        source=proposal.source,
        at_ms=at_ms,
        renamed=proposal.renamed,
        undoes=proposal.undoes,
        sentence=proposal.sentence,
    )


def difference_of(conn: Connection, revision_id: int) -> list[list[Any]] | None:
    """Return [table, key, old, new] for all a revision changed; None where there is no such one.

    It holds the codes of locks: it is shown to nobody as it is.
    """
    table = schema.revision
    found = conn.execute(select(table.c.diff).where(table.c.id == revision_id)).scalar()
    return None if found is None else json.loads(found)

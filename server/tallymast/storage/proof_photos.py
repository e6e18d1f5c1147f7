"""Keeps photographs of a proof; they are sealed with it."""

from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, Row, delete, func, insert, select

from tallymast.storage import schema
from tallymast.storage.changes import log_change

MOST: Final = 12  # of one proof; ours

_table = schema.proof_photo
_told = tuple(_table.c[name] for name in ("id", "proof_id", "name", "media", "at_ms", "actor"))


@dataclass(frozen=True, slots=True)
class Photo:
    """A photograph without its bytes; ``name`` is its caption."""

    id: int
    proof_id: int
    name: str
    media: str
    at_ms: int
    actor: str


def add(
    conn: Connection,
    proof_id: int,
    *,
    name: str,
    media: str,
    body: bytes,
    at_ms: int,
    actor: str,
) -> Photo:
    """Keep a photograph of an open proof.

    Raises:
        StorageError: the proof is sealed.

    """
    row = {"proof_id": proof_id, "name": name, "media": media, "at_ms": at_ms, "actor": actor}
    query = insert(_table).returning(_table.c.id)
    number = int(conn.execute(query, {**row, "body": body}).scalar_one())
    log_change(conn, at_ms, "proof", str(proof_id))
    return Photo(number, proof_id, name, media, at_ms, actor)


def count(conn: Connection, proof_id: int) -> int:
    """Return how many photographs a proof has."""
    query = select(func.count()).where(_table.c.proof_id == proof_id)
    return int(conn.execute(query).scalar_one())


def of_proof(conn: Connection, proof_id: int) -> list[Photo]:
    """Return what photographs a proof has, the first first."""
    query = select(*_told).where(_table.c.proof_id == proof_id).order_by(_table.c.id)
    return [_photo(row) for row in conn.execute(query)]


def of_id(conn: Connection, photo_id: int) -> Photo | None:
    """Return a photograph without its bytes, None where there is none of this number."""
    row = conn.execute(select(*_told).where(_table.c.id == photo_id)).one_or_none()
    return _photo(row) if row else None


def body(conn: Connection, photo_id: int) -> bytes:
    """Return the bytes of a photograph."""
    query = select(_table.c.body).where(_table.c.id == photo_id)
    return bytes(conn.execute(query).scalar_one())


def remove(conn: Connection, photo: Photo, *, at_ms: int) -> None:
    """Forget a photograph of an open proof.

    Raises:
        StorageError: the proof is sealed.

    """
    conn.execute(delete(_table).where(_table.c.id == photo.id))
    log_change(conn, at_ms, "proof", str(photo.proof_id))


def _photo(row: Row[Any]) -> Photo:
    return Photo(row.id, row.proof_id, row.name, row.media, row.at_ms, row.actor)

"""Keeps each day's Morning round, once a day, and what one shift tells the next."""

from dataclasses import dataclass

from sqlalchemy import Connection, insert, select

from tallymast.domain.rounds import KeptRound, from_text, to_text
from tallymast.storage import schema
from tallymast.storage.changes import insert_many, log_change

_round, _handover = schema.round_day, schema.handover


@dataclass(frozen=True, slots=True)
class Handover:
    """What somebody tells the next shift."""

    id: int
    at_ms: int
    actor: str
    text: str


def keep(conn: Connection, kept: KeptRound) -> None:
    """Store a day's round; one that is there already stays as it is."""
    insert_many(conn, _round, [(kept.day, kept.at_ms, to_text(kept))], keep=True)


def load(conn: Connection, day: int) -> KeptRound | None:
    """Return a day's round, None where none was kept."""
    row = conn.execute(select(_round).where(_round.c.day == day)).first()
    return None if row is None else from_text(row.day, row.at_ms, row.body)


def newest_before(conn: Connection, day: int) -> KeptRound | None:
    """Return the newest round kept before a day, None without one."""
    query = select(_round).where(_round.c.day < day).order_by(_round.c.day.desc()).limit(1)
    row = conn.execute(query).first()
    return None if row is None else from_text(row.day, row.at_ms, row.body)


def days(conn: Connection, limit: int) -> list[int]:
    """Return the newest days whose round is kept, newest first."""
    query = select(_round.c.day).order_by(_round.c.day.desc()).limit(limit)
    return [int(day) for day in conn.execute(query).scalars()]


def between(conn: Connection, first_day: int, last_day: int) -> list[KeptRound]:
    """Return the rounds kept of some days, both included, oldest first."""
    query = (
        select(_round)
        .where(_round.c.day >= first_day, _round.c.day <= last_day)
        .order_by(_round.c.day)
    )
    return [from_text(row.day, row.at_ms, row.body) for row in conn.execute(query)]


def hand_over(conn: Connection, *, at_ms: int, actor: str, text: str) -> Handover:
    """Store what somebody tells the next shift, and return it."""
    row = {"at_ms": at_ms, "actor": actor, "text": text}
    number = int(conn.execute(insert(_handover).returning(_handover.c.id), row).scalar_one())
    log_change(conn, at_ms, "handover", str(number))
    return Handover(number, at_ms, actor, text)


def handovers(conn: Connection, from_ms: int, to_ms: int, limit: int = 20) -> list[Handover]:
    """Return what was handed over in a span, newest first."""
    query = (
        select(_handover)
        .where(_handover.c.at_ms >= from_ms, _handover.c.at_ms < to_ms)
        .order_by(_handover.c.at_ms.desc(), _handover.c.id.desc())
        .limit(limit)
    )
    return [Handover(row.id, row.at_ms, row.actor, row.text) for row in conn.execute(query)]

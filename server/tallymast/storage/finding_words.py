"""Keeps what visitors said of findings. Rows are only ever added; of several the newest counts."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, Select, func, insert, select

from tallymast.domain.health.diagnosis.experience import Experience, PastWord, Verdict
from tallymast.storage import schema
from tallymast.storage.changes import log_change

_table, _finding = schema.finding_word, schema.finding


@dataclass(frozen=True, slots=True)
class FindingWord:
    """What a visitor said of a finding.

    Attributes:
        id: of its row.
        finding_id: of which finding.
        at_ms: when it was said.
        actor: who said it.
        verdict: what.
        found: what it was, in the visitor's words; may be empty where it was confirmed.
        text: anything else; may be empty.

    """

    id: int
    finding_id: int
    at_ms: int
    actor: str
    verdict: Verdict
    found: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class CauseFigures:
    """How often a cause was named, how many of these findings were visited and confirmed."""

    cause: str
    named: int
    visited: int
    confirmed: int


def word(
    conn: Connection,
    finding_id: int,
    *,
    at_ms: int,
    actor: str,
    verdict: Verdict,
    found: str = "",
    text: str = "",
) -> FindingWord:
    """Store what a visitor says of a finding, and return it."""
    row = {
        "finding_id": finding_id,
        "at_ms": at_ms,
        "actor": actor,
        "verdict": verdict.value,
        "cause_found": found,
        "text": text,
    }
    number = int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())
    log_change(conn, at_ms, "finding-word", str(number))
    return FindingWord(number, finding_id, at_ms, actor, verdict, found, text)


def words_on(conn: Connection, finding_ids: Sequence[int]) -> dict[int, list[FindingWord]]:
    """Return what was said of findings, by finding, the oldest first."""
    found: dict[int, list[FindingWord]] = {}
    if not finding_ids:
        return found
    query = select(_table).where(_table.c.finding_id.in_(finding_ids)).order_by(_table.c.id)
    for row in conn.execute(query):
        found.setdefault(row.finding_id, []).append(_word(row))
    return found


def words_of_site(
    conn: Connection, site_id: int, from_ms: int = 0
) -> list[tuple[FindingWord, str]]:
    """Return every word on a site's findings since an instant, each with the finding's title."""
    query = (
        select(_table, _finding.c.title)
        .join(_finding, _finding.c.id == _table.c.finding_id)
        .where(_finding.c.site_id == site_id, _table.c.at_ms >= from_ms)
        .order_by(_table.c.id.desc())
    )
    return [(_word(row), row.title) for row in conn.execute(query)]


def newest_word(conn: Connection) -> int:
    """Return the number of the newest word, 0 without one."""
    return int(conn.execute(select(func.max(_table.c.id))).scalar() or 0)


def experience(conn: Connection) -> Experience:
    """Return the last word on every finding, as evidence."""
    query = (
        select(_table, _finding)
        .join(_finding, _finding.c.id == _table.c.finding_id)
        .where(_table.c.id.in_(_last_words()))
        .order_by(_table.c.at_ms.desc(), _table.c.id.desc())
    )
    return Experience(
        tuple(
            PastWord(
                row.cause,
                row.site_id,
                row.gateway_id,
                row.at_ms,
                Verdict(row.verdict),
                row.cause_found,
                row.until_ms is None,
                row.tag,
            )
            for row in conn.execute(query)
        )
    )


def figures(conn: Connection) -> list[CauseFigures]:
    """Return how every cause did that was ever named, the most often named first."""
    named = select(_finding.c.cause, func.count().label("n")).group_by(_finding.c.cause)
    said = (
        select(_finding.c.cause, _table.c.verdict, func.count().label("n"))
        .join(_table, _finding.c.id == _table.c.finding_id)
        .where(_table.c.id.in_(_last_words()))
        .group_by(_finding.c.cause, _table.c.verdict)
    )
    visited: dict[str, int] = {}
    confirmed: dict[str, int] = {}
    for row in conn.execute(said):
        visited[row.cause] = visited.get(row.cause, 0) + row.n
        if row.verdict == Verdict.CONFIRMED:
            confirmed[row.cause] = row.n
    found = [
        CauseFigures(row.cause, row.n, visited.get(row.cause, 0), confirmed.get(row.cause, 0))
        for row in conn.execute(named)
    ]
    return sorted(found, key=lambda one: (-one.named, one.cause))


def _last_words() -> Select[Any]:
    return select(func.max(_table.c.id)).group_by(_table.c.finding_id)


def _word(row: Row[Any]) -> FindingWord:
    return FindingWord(
        row.id,
        row.finding_id,
        row.at_ms,
        row.actor,
        Verdict(row.verdict),
        row.cause_found,
        row.text,
    )

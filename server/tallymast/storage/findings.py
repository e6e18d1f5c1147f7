"""Keeps findings: which cause was named where, from when to when, in the words of then.

A row is one cause at one site, or of one gateway itself. domain/health/diagnosis/lasting.py
decides what is written; here it is written, in the caller's transaction, and read.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, Row, Select, func, insert, or_, select, update

from tallymast.domain.errors import DecodeError
from tallymast.domain.health.diagnosis.lasting import AGAIN_MS, Held, Key, Named, Step
from tallymast.domain.health.diagnosis.model import (
    About,
    ChartOf,
    Confidence,
    Diagnosis,
    Said,
    Shown,
)
from tallymast.domain.health.diagnosis.written import from_text, to_text
from tallymast.storage import schema
from tallymast.storage.changes import canonical, log_change
from tallymast.storage.finding_words import FindingWord, words_on

_table, _word = schema.finding, schema.finding_word

# The numbers are stored.
_CONFIDENCE: Final = {0: Confidence.POSSIBLE, 1: Confidence.LIKELY, 2: Confidence.SURE}
_NUMBER: Final = {one: number for number, one in _CONFIDENCE.items()}
_UNREADABLE: Final = Said("what was said of it then cannot be read any more")


@dataclass(frozen=True, slots=True)
class KeptFinding:
    """A finding as it was kept.

    Attributes:
        id: of its row.
        site_id: where; None for a gateway's own.
        gateway_id: behind which gateway, when it was written last.
        named_ms: when it was named first.
        since_ms: since when the cause is told to hold.
        last_ms: when it was named last, as far as that was written: hourly while it stands.
        until_ms: when it was named last of all; None while it stands.
        judged_ms: when ``told`` was written.
        rank: its place then among all that were named, 0 for the first.
        confidence: how sure it was then.
        told: the whole diagnosis; only its title and place where its text cannot be read.
        is_readable: whether that text can be read.
        shared: ids of the other sites it accuses.
        words: what visitors said of it, the oldest first; the last one counts.

    """

    id: int
    site_id: int | None
    gateway_id: int
    named_ms: int
    since_ms: int
    last_ms: int
    until_ms: int | None
    judged_ms: int
    rank: int
    confidence: Confidence
    told: Diagnosis
    is_readable: bool = True
    shared: tuple[int, ...] = ()
    words: tuple[FindingWord, ...] = ()

    @property
    def is_open(self) -> bool:
        """Whether it still stands."""
        return self.until_ms is None

    @property
    def word(self) -> FindingWord | None:
        """The word that counts, None where nobody has said anything."""
        return self.words[-1] if self.words else None


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which findings are asked for; what is None or empty asks for all.

    Attributes:
        site_id: only at this site.
        cause: only of this cause.
        is_open: only those that stand (True), or that are over (False).
        unsaid: only those without a visitor's word.
        from_ms: only those that stood at or after it.
        to_ms: only those first named before it.

    """

    site_id: int | None = None
    cause: str = ""
    is_open: bool | None = None
    unsaid: bool = False
    from_ms: int | None = None
    to_ms: int | None = None


# --- writing --------------------------------------------------------------------------


def standing(conn: Connection) -> dict[Key, Held]:
    """Return the findings that stand, as a look remembers them."""
    query = select(_table).where(_table.c.until_ms.is_(None)).order_by(_table.c.id)
    found: dict[Key, Held] = {}
    for row in conn.execute(query):
        told, readable = _told(row)
        held = Held(row.id, told if readable else None, row.last_ms, row.judged_ms)
        found.setdefault(_key(row), held)
    return found


def keep(conn: Connection, wanted: Step, now_ms: int) -> dict[Key, Held]:
    """Write what a look changed; return the findings that stand after it.

    A finding that ended less than a day ago is opened again instead of being begun anew.

    Args:
        conn: a writing connection; all of it is stored, or nothing.
        wanted: what changed.
        now_ms: the look's instant.

    """
    held = dict(wanted.held)
    for key, named in wanted.changes.items():
        _rewrite(conn, held[key].id, key, named, now_ms)
        held[key] = Held(held[key].id, named.told, now_ms, now_ms)
    for one in wanted.ends:
        over = update(_table).where(_table.c.id == one.id, _table.c.until_ms.is_(None))
        conn.execute(over.values(last_ms=one.last_ms, until_ms=one.last_ms))
    for key, named in wanted.begins.items():
        number = _again(conn, key, now_ms)
        if number is None:
            number = _begin(conn, key, named, now_ms)
        else:
            _rewrite(conn, number, key, named, now_ms)
        held[key] = Held(number, named.told, now_ms, now_ms)
    if wanted.writes:
        log_change(conn, now_ms, "finding", "")
    return held


def _begin(conn: Connection, key: Key, named: Named, now_ms: int) -> int:
    site_id, _, cause, tag = key
    row = {
        "site_id": site_id,
        "cause": cause,
        "tag": tag,
        "named_ms": now_ms,
        "since_ms": named.told.since_ms,
        **_written(site_id, named, now_ms),
    }
    return int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())


def _again(conn: Connection, key: Key, now_ms: int) -> int | None:
    """Return the row of the same finding that ended less than a day ago."""
    site_id, gateway_id, cause, tag = key
    query = (
        select(_table.c.id)
        .where(_at(site_id, gateway_id), _table.c.cause == cause, _table.c.tag == tag)
        .where(_table.c.until_ms > now_ms - AGAIN_MS)
        .order_by(_table.c.id.desc())
        .limit(1)
    )
    found = conn.execute(query).scalar()
    return None if found is None else int(found)


def _at(site_id: int | None, gateway_id: int) -> ColumnElement[bool]:
    """Return what holds for rows of a site, or of a gateway itself."""
    if site_id is not None:
        return _table.c.site_id == site_id
    return _table.c.site_id.is_(None) & (_table.c.gateway_id == gateway_id)


def _rewrite(conn: Connection, number: int, key: Key, named: Named, now_ms: int) -> None:
    row = {"until_ms": None, **_written(key[0], named, now_ms)}
    conn.execute(update(_table).where(_table.c.id == number).values(row))
    # What came back is told since its return; the finding has stood since before.
    since_ms = named.told.since_ms
    earlier = update(_table).where(_table.c.id == number, _table.c.named_ms >= since_ms)
    conn.execute(earlier.values(since_ms=since_ms))


def _written(site_id: int | None, named: Named, now_ms: int) -> dict[str, Any]:
    told = named.told
    return {
        "gateway_id": told.gateway_id,
        "title": told.title,
        "last_ms": now_ms,
        "rank": named.rank,
        "confidence": _NUMBER[told.confidence],
        "evidence": to_text(told),
        "shared": canonical([one for one in told.site_ids if one != site_id]),
        "judged_ms": now_ms,
    }


# --- reading --------------------------------------------------------------------------


def of_id(conn: Connection, number: int) -> KeptFinding | None:
    """Return a finding with its words, None where there never was one of this number."""
    found = _kept(conn, select(_table).where(_table.c.id == number))
    return found[0] if found else None


def of_site(conn: Connection, site_id: int, limit: int = 10) -> list[KeptFinding]:
    """Return a site's findings, the newest first."""
    return page(conn, Wanted(site_id=site_id), limit)


def current(conn: Connection) -> list[KeptFinding]:
    """Return the findings that stand, in the order they were named."""
    query = select(_table).where(_table.c.until_ms.is_(None))
    return _kept(conn, query.order_by(_table.c.rank, _table.c.id))


def open_one(conn: Connection, told: Diagnosis) -> KeptFinding | None:
    """Return the finding that stands for what is named, at the site to start at."""
    query = select(_table).where(
        _at(told.site_ids[0] if told.site_ids else None, told.gateway_id),
        _table.c.cause == told.cause,
        _table.c.tag == told.tag,
        _table.c.until_ms.is_(None),
    )
    found = _kept(conn, query.order_by(_table.c.id).limit(1))
    return found[0] if found else None


def page(
    conn: Connection, wanted: Wanted, limit: int, before_id: int | None = None
) -> list[KeptFinding]:
    """Return findings, the one first named last first.

    Args:
        conn: a reading connection.
        wanted: which.
        limit: how many at most.
        before_id: only those begun before this one.

    """
    query = _asked(wanted)
    if before_id is not None:
        query = query.where(_table.c.id < before_id)
    return _kept(conn, query.order_by(_table.c.id.desc()).limit(limit))


def _asked(wanted: Wanted) -> Select[Any]:
    query = select(_table)
    if wanted.site_id is not None:
        query = query.where(_table.c.site_id == wanted.site_id)
    if wanted.cause:
        query = query.where(_table.c.cause == wanted.cause)
    if wanted.is_open is not None:
        stands = _table.c.until_ms.is_(None)
        query = query.where(stands if wanted.is_open else ~stands)
    if wanted.unsaid:
        said = select(_word.c.id).where(_word.c.finding_id == _table.c.id)
        query = query.where(~said.exists())
    if wanted.from_ms is not None:
        query = query.where(or_(_table.c.until_ms.is_(None), _table.c.until_ms >= wanted.from_ms))
    if wanted.to_ms is not None:
        query = query.where(_table.c.named_ms < wanted.to_ms)
    return query


def _kept(conn: Connection, query: Select[Any]) -> list[KeptFinding]:
    found = [_finding(row) for row in conn.execute(query)]
    words = words_on(conn, [one.id for one in found])
    return [replace(one, words=tuple(words.get(one.id, ()))) for one in found]


def _finding(row: Row[Any]) -> KeptFinding:
    told, readable = _told(row)
    return KeptFinding(
        id=row.id,
        site_id=row.site_id,
        gateway_id=row.gateway_id,
        named_ms=row.named_ms,
        since_ms=row.since_ms,
        last_ms=row.last_ms,
        until_ms=row.until_ms,
        judged_ms=row.judged_ms,
        rank=row.rank,
        confidence=_CONFIDENCE[row.confidence],
        told=told,
        is_readable=readable,
        shared=tuple(json.loads(row.shared)),
    )


def _told(row: Row[Any]) -> tuple[Diagnosis, bool]:
    """Return what was written of a finding, and whether it can be read."""
    try:
        return from_text(row.evidence), True
    except DecodeError:
        return _bare(row), False


def _bare(row: Row[Any]) -> Diagnosis:
    """Return what the row alone tells."""
    return Diagnosis(
        cause=row.cause,
        title=row.title,
        about=About.CONTACT,
        gateway_id=row.gateway_id,
        site_ids=() if row.site_id is None else (row.site_id,),
        since_ms=row.since_ms,
        score=0.0,
        says=_UNREADABLE,
        advice=_UNREADABLE,
        decides=_UNREADABLE,
        chart=ChartOf(Shown.CONTACT, row.since_ms, row.until_ms),
        tag=row.tag,
    )


def _key(row: Row[Any]) -> Key:
    gateway_id = row.gateway_id if row.site_id is None else 0
    return row.site_id, gateway_id, row.cause, row.tag


def titles(conn: Connection) -> Mapping[str, str]:
    """Return every cause that was ever named, with its newest title, in order of the titles."""
    newest = select(func.max(_table.c.id)).group_by(_table.c.cause)
    query = select(_table.c.cause, _table.c.title).where(_table.c.id.in_(newest))
    found = {row.cause: row.title for row in conn.execute(query)}
    return dict(sorted(found.items(), key=lambda one: one[1]))

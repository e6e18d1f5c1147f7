"""The hardware register: what is fitted at a site or lies in the store, from when to when."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from tallymast.storage import schema
from tallymast.storage.changes import canonical, log_change

_table = schema.part


@dataclass(frozen=True, slots=True)
class Part:
    """One piece of hardware.

    Attributes:
        site_id: where it is or was fitted; None: in the store.
        kind: station, radio, antenna, feedline, arrester, battery, panel, controller, fuse,
            transmitter or other.
        name: what it is, as people write it.
        version: of its firmware.
        detail: by kind: height_m, bearing, type, length_m, rating_a, capacity_ah, made …
        place: in the store or at the site.

    """

    id: int
    site_id: int | None
    kind: str
    name: str
    from_ms: int
    serial: str = ""
    version: str = ""
    detail: Mapping[str, Any] = field(default_factory=dict)
    place: str = ""
    to_ms: int | None = None
    note: str = ""
    actor: str = ""


def fitted(conn: Connection, site_id: int) -> list[Part]:
    """Return what is fitted at a site now, in the order it was entered."""
    where = (_table.c.site_id == site_id, _table.c.to_ms.is_(None))
    query = select(_table).where(*where).order_by(_table.c.id)
    return [_part(row) for row in conn.execute(query)]


def station_of(conn: Connection, site_id: int) -> Part | None:
    """Return the station that is at a site now, None where none was entered."""
    return next((one for one in fitted(conn, site_id) if one.kind == "station"), None)


def of_id(conn: Connection, part_id: int) -> Part | None:
    """Return an entry of the register, None where there was never one of this number."""
    row = conn.execute(select(_table).where(_table.c.id == part_id)).one_or_none()
    return _part(row) if row else None


def of_site(conn: Connection, site_id: int) -> list[Part]:
    """Return all that is or was fitted at a site: what is there first, then the newest gone."""
    query = select(_table).where(_table.c.site_id == site_id).order_by(_table.c.id)
    found = [_part(row) for row in conn.execute(query)]
    return sorted(found, key=lambda one: (one.to_ms is not None, -(one.to_ms or 0)))


def in_store(conn: Connection) -> list[Part]:
    """Return what lies in the store now, in the order it was entered."""
    where = (_table.c.site_id.is_(None), _table.c.to_ms.is_(None))
    query = select(_table).where(*where).order_by(_table.c.id)
    return [_part(row) for row in conn.execute(query)]


def everything(conn: Connection) -> list[Part]:
    """Return all that is fitted anywhere or lies in the store now."""
    query = select(_table).where(_table.c.to_ms.is_(None)).order_by(_table.c.id)
    return [_part(row) for row in conn.execute(query)]


def enter(conn: Connection, part: Part) -> Part:
    """Store a new entry (its number is given anew) and return it."""
    row = {
        name: getattr(part, name)
        for name in Part.__dataclass_fields__
        if name not in ("id", "detail")
    }
    row["detail"] = canonical(dict(part.detail))
    number = int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())
    log_change(conn, part.from_ms, "part", str(number))
    return replace(part, id=number)


def correct(conn: Connection, part: Part, at_ms: int) -> None:
    """Put what is right in place of a mistake of an entry; where it lies stays as it is."""
    values = {
        "kind": part.kind,
        "name": part.name,
        "serial": part.serial,
        "version": part.version,
        "place": part.place,
        "note": part.note,
        "detail": canonical(dict(part.detail)),
    }
    conn.execute(update(_table).where(_table.c.id == part.id).values(**values))
    log_change(conn, at_ms, "part", str(part.id))


def end(conn: Connection, part: Part, at_ms: int, how: str) -> bool:
    """End an entry: the part is not there any more; ``how`` says in words what became of it.

    Returns:
        Whether it was still there.

    """
    still = (_table.c.id == part.id, _table.c.to_ms.is_(None))
    detail = canonical({**part.detail, "ended": how})
    ended = conn.execute(update(_table).where(*still).values(to_ms=at_ms, detail=detail)).rowcount
    log_change(conn, at_ms, "part", str(part.id))
    return ended > 0


def move(
    conn: Connection,
    part: Part,
    *,
    to_site_id: int | None,
    place: str,
    how: str,
    at_ms: int,
    actor: str,
) -> Part | None:
    """Move a part to a site or (None) into the store; one of several alike is taken out alone.

    Returns:
        The entry at its new place; None where somebody moved it meanwhile.

    """
    moved = replace(
        part,
        site_id=to_site_id,
        place=place,
        from_ms=at_ms,
        to_ms=None,
        actor=actor,
        detail={key: one for key, one in part.detail.items() if key not in ("count", "ended")},
    )
    count = int(part.detail.get("count", 1))
    if count > 1 and to_site_id is not None:
        if not _one_less(conn, part, count, at_ms):
            return None
    elif not end(conn, part, at_ms, how):
        return None
    return enter(conn, moved)


def _one_less(conn: Connection, part: Part, count: int, at_ms: int) -> bool:
    """Take one of several alike; whether they were still as many."""
    held = (
        _table.c.id == part.id,
        _table.c.to_ms.is_(None),
        _table.c.detail == canonical(dict(part.detail)),
    )
    left = canonical({**part.detail, "count": count - 1})
    done = conn.execute(update(_table).where(*held).values(detail=left)).rowcount
    log_change(conn, at_ms, "part", str(part.id))
    return done > 0


def _part(row: Row[Any]) -> Part:
    names = Part.__dataclass_fields__
    known = {name: getattr(row, name) for name in names}
    return Part(**{**known, "detail": json.loads(row.detail)})

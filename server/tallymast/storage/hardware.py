"""The hardware register: what is fitted at a site or lies in the store, from when to when."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, Row, select

from tallymast.storage import schema

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


def _part(row: Row[Any]) -> Part:
    names = Part.__dataclass_fields__
    known = {name: getattr(row, name) for name in names}
    return Part(**{**known, "detail": json.loads(row.detail)})

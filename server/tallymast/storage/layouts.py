"""Keeps layouts: which words a site's polls hold, and how to read them, for ever."""

import hashlib
import json
from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, insert, select

from tallymast.domain.errors import StorageError
from tallymast.domain.model import (
    Block,
    LayoutPoint,
    Order,
    PointKind,
    PollClass,
    SiteLayout,
    Table,
    WordLayout,
)
from tallymast.storage import schema
from tallymast.storage.changes import canonical


def keep_layout(conn: Connection, layout: SiteLayout, at_ms: int) -> SiteLayout:
    """Store a layout unless an equal one of its site is there; return it with its id."""
    body = canonical({"blocks": _blocks(layout), "points": _points(layout)})
    digest = hashlib.sha256(body.encode()).hexdigest()[:32]
    table = schema.layout
    known = conn.execute(
        select(table.c.id).where(table.c.site_id == layout.site_id, table.c.digest == digest)
    ).scalar()
    if known is None:
        row = {"site_id": layout.site_id, "from_ms": at_ms, "digest": digest, "body": body}
        known = conn.execute(insert(table).returning(table.c.id), row).scalar_one()
    return replace(layout, id=known)


def load_layouts(conn: Connection, ids: Iterable[int]) -> dict[int, SiteLayout]:
    """Return layouts by id.

    Raises:
        StorageError: an id that was never stored.

    """
    wanted = sorted(set(ids))
    table = schema.layout
    rows = conn.execute(
        select(table.c.id, table.c.site_id, table.c.body).where(table.c.id.in_(wanted))
    )
    found = {row.id: _layout(row.id, row.site_id, row.body) for row in rows}
    if len(found) < len(wanted):
        missing = next(number for number in wanted if number not in found)
        raise StorageError(f"Polls refer to layout {missing}, which the database does not hold.")
    return found


def _blocks(layout: SiteLayout) -> list[dict[str, Any]]:
    return [
        {"table": block.table, "start": block.start, "count": block.count, "class": block.poll}
        for block in layout.blocks
    ]


def _points(layout: SiteLayout) -> list[dict[str, Any]]:
    names = LayoutPoint.__dataclass_fields__
    return [{name: getattr(point, name) for name in names} for point in layout.points]


@lru_cache(maxsize=4096)
def _layout(layout_id: int, site_id: int, body: str) -> SiteLayout:
    read = json.loads(body)
    blocks = tuple(
        Block(Table(row["table"]), row["start"], row["count"], PollClass(row["class"]))
        for row in read["blocks"]
    )
    return SiteLayout(layout_id, site_id, blocks, tuple(_point(row) for row in read["points"]))


def _point(row: dict[str, Any]) -> LayoutPoint:
    return LayoutPoint(
        **{
            **row,
            "kind": PointKind(row["kind"]),
            "layout": WordLayout(row["layout"]),
            "word_order": Order(row["word_order"]),
            "byte_order": Order(row["byte_order"]),
            "raw": tuple(row["raw"]) if row["raw"] else None,
            "value": tuple(row["value"]) if row["value"] else None,
        }
    )

"""Keeps months as they were closed, version by version; such rows are only ever added."""

import json
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, func, insert, select

from tallymast.domain.totals.month_figures import Figures, body_of, figures_of
from tallymast.storage import schema
from tallymast.storage.changes import canonical, log_change

_table = schema.month_close


@dataclass(frozen=True, slots=True)
class MonthClose:
    """A point's month as somebody closed it; ``month`` as 2026-03."""

    point_id: int
    month: str
    version: int
    at_ms: int
    actor: str
    figures: Figures
    note: str = ""


def close(
    conn: Connection,
    point_id: int,
    month: str,
    figures: Figures,
    *,
    at_ms: int,
    actor: str,
    note: str = "",
) -> MonthClose:
    """Close a month, as its next version, and return it."""
    query = select(func.max(_table.c.version)).where(
        _table.c.point_id == point_id, _table.c.month == month
    )
    version = int(conn.execute(query).scalar() or 0) + 1
    row = {
        "point_id": point_id,
        "month": month,
        "version": version,
        "at_ms": at_ms,
        "actor": actor,
        "note": note,
        "figures": canonical(body_of(figures)),
    }
    conn.execute(insert(_table), row)
    log_change(conn, at_ms, "month-close", f"{point_id} {month}")
    return MonthClose(point_id, month, version, at_ms, actor, figures, note)


def versions(conn: Connection, point_id: int, month: str) -> list[MonthClose]:
    """Return every version of a point's month, the newest last."""
    query = (
        select(_table)
        .where(_table.c.point_id == point_id, _table.c.month == month)
        .order_by(_table.c.version)
    )
    return [_close(row) for row in conn.execute(query)]


def newest(conn: Connection, month: str) -> dict[int, MonthClose]:
    """Return the newest version of a month by point."""
    query = select(_table).where(_table.c.month == month).order_by(_table.c.version)
    return {row.point_id: _close(row) for row in conn.execute(query)}


def _close(row: Row[Any]) -> MonthClose:
    figures = figures_of(json.loads(row.figures))
    said = (row.at_ms, row.actor, figures, row.note)
    return MonthClose(row.point_id, row.month, row.version, *said)

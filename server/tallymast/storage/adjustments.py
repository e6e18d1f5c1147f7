"""Keeps adjustments of volumes; such rows are only ever added."""

from fractions import Fraction
from typing import Any

from sqlalchemy import Connection, Row, insert, select

from tallymast.domain.totals.adjustments import Adjustment, reversal
from tallymast.storage import schema
from tallymast.storage.changes import log_change

_table = schema.adjustment


def add(conn: Connection, one: Adjustment) -> Adjustment:
    """Store an adjustment (its number is given anew) and return it.

    Raises:
        StorageError: it takes back one that was taken back already.

    """
    names = [name for name in Adjustment.__dataclass_fields__ if name != "id"]
    row = {name: getattr(one, name) for name in names} | {"amount": str(one.amount)}
    number = int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())
    log_change(conn, one.at_ms, "adjustment", str(number))
    return Adjustment(number, *(getattr(one, name) for name in names))


def take_back(
    conn: Connection, number: int, *, reason: str, at_ms: int, actor: str
) -> Adjustment | None:
    """Take an adjustment back by another; None where there is none or it is taken back."""
    one = of_id(conn, number)
    undone = conn.execute(select(_table.c.id).where(_table.c.reverses_id == number)).first()
    if one is None or one.reverses_id is not None or undone is not None:
        return None
    return add(conn, reversal(one, reason, at_ms, actor))


def of_id(conn: Connection, number: int) -> Adjustment | None:
    """Return an adjustment, None where there is none."""
    row = conn.execute(select(_table).where(_table.c.id == number)).first()
    return None if row is None else _adjustment(row)


def of_point(conn: Connection, point_id: int, from_ms: int, to_ms: int) -> list[Adjustment]:
    """Return all adjustments of a point that touch a span, those taken back too, by time."""
    query = (
        select(_table)
        .where(_table.c.point_id == point_id, _table.c.from_ms < to_ms, _table.c.to_ms > from_ms)
        .order_by(_table.c.from_ms, _table.c.id)
    )
    return [_adjustment(row) for row in conn.execute(query)]


def between(conn: Connection, from_ms: int, to_ms: int) -> list[Adjustment]:
    """Return all adjustments of any point that touch a span, those taken back too, by time."""
    query = (
        select(_table)
        .where(_table.c.from_ms < to_ms, _table.c.to_ms > from_ms)
        .order_by(_table.c.from_ms, _table.c.id)
    )
    return [_adjustment(row) for row in conn.execute(query)]


def _adjustment(row: Row[Any]) -> Adjustment:
    fields = {name: getattr(row, name) for name in Adjustment.__dataclass_fields__}
    return Adjustment(**fields | {"amount": Fraction(row.amount)})

"""Keeps from when on a pulse of a point stands for how much; before that the network says it."""

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from sqlalchemy import Connection, Row, delete, select

from tallymast.domain.model import Point
from tallymast.domain.totals.factors import Factor, factor_of
from tallymast.storage import schema
from tallymast.storage.changes import insert_many, log_change
from tallymast.storage.volume_marks import mark_point

_table = schema.k_factor


@dataclass(frozen=True, slots=True)
class KeptFactor:
    """A factor somebody entered, from its date on."""

    point_id: int
    factor: Factor
    at_ms: int
    actor: str
    note: str = ""


def enter(conn: Connection, one: KeptFactor) -> None:
    """Store a factor, in place of one from the same instant; its hour is cut there."""
    factor = one.factor
    said = (one.at_ms, one.actor, one.note)
    row = (one.point_id, factor.from_ms, str(factor.per_pulse), factor.unit, *said)
    insert_many(conn, _table, [row])
    _changed(conn, one.point_id, factor.from_ms, one.at_ms)


def take_out(conn: Connection, point_id: int, from_ms: int, at_ms: int) -> bool:
    """Take a factor out again; return whether there was one."""
    gone = delete(_table).where(_table.c.point_id == point_id, _table.c.from_ms == from_ms)
    found = conn.execute(gone).rowcount > 0
    if found:
        _changed(conn, point_id, from_ms, at_ms)
    return found


def kept(conn: Connection, point_id: int) -> list[KeptFactor]:
    """Return what was entered for a point, ascending in time."""
    query = select(_table).where(_table.c.point_id == point_id).order_by(_table.c.from_ms)
    return [_kept(row) for row in conn.execute(query)]


def all_kept(conn: Connection) -> list[KeptFactor]:
    """Return what was entered for any point, ascending in time."""
    return [_kept(row) for row in conn.execute(select(_table).order_by(_table.c.from_ms))]


def factors(conn: Connection, point_id: int, point: Point) -> list[Factor]:
    """Return every factor of a point, ascending: the network's, and from their dates on others."""
    first = factor_of(point)
    entered = [one.factor for one in kept(conn, point_id)]
    return entered if first is None else [first, *entered]


def _kept(row: Row[Any]) -> KeptFactor:
    factor = Factor(row.from_ms, Fraction(row.per_pulse), row.unit)
    return KeptFactor(row.point_id, factor, row.at_ms, row.actor, row.note)


def _changed(conn: Connection, point_id: int, from_ms: int, at_ms: int) -> None:
    mark_point(conn, point_id, from_ms, from_ms)
    log_change(conn, at_ms, "k-factor", str(point_id))

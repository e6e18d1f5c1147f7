"""Keeps where a totalizer did not simply climb, as at a station's replacement.

``before`` is the old register's last reading, ``after`` the new one's first, ``unknown`` what
ran while none counted, all in counts of the register; None: nobody knows.
"""

from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, Row, insert, select

from tallymast.domain.totals.line import NEAR_MS
from tallymast.domain.totals.model import Exchange
from tallymast.storage import schema
from tallymast.storage.changes import log_change
from tallymast.storage.volume_marks import mark_point

REPLACED: Final = "replaced"

_table = schema.count_event


@dataclass(frozen=True, slots=True)
class CountEvent:
    """One event of one totalizer; ``source``: record, poll or typed."""

    id: int
    point_id: int
    at_ms: int
    kind: str
    before: float | None
    after: float | None
    unknown: float | None
    source: str
    actor: str

    @property
    def add(self) -> float | None:
        """What continues the old count when added to the new register; None: not known."""
        if self.before is None or self.after is None:
            return None
        return self.before - self.after + (self.unknown or 0.0)


def add(conn: Connection, event: CountEvent) -> CountEvent:
    """Store an event (its number is given anew) and return it."""
    names = [name for name in CountEvent.__dataclass_fields__ if name != "id"]
    row = {name: getattr(event, name) for name in names}
    number = int(conn.execute(insert(_table).returning(_table.c.id), row).scalar_one())
    log_change(conn, event.at_ms, "count-event", str(number))
    mark_point(conn, event.point_id, event.at_ms - NEAR_MS, event.at_ms + NEAR_MS)
    return CountEvent(number, *(row[name] for name in names))


def of_site(conn: Connection, site_id: int) -> list[tuple[str, CountEvent]]:
    """Return a site's events with their point's tag, the newest first."""
    point = schema.point
    query = (
        select(_table, point.c.tag)
        .join(point, point.c.id == _table.c.point_id)
        .where(point.c.site_id == site_id)
        .order_by(_table.c.at_ms.desc(), _table.c.id)
    )
    return [(row.tag, _event(row)) for row in conn.execute(query)]


def replaced_between(conn: Connection, from_ms: int, to_ms: int) -> list[int]:
    """Return the points whose register was replaced in a span."""
    inside = (_table.c.at_ms >= from_ms, _table.c.at_ms <= to_ms)
    query = select(_table.c.point_id).where(_table.c.kind == REPLACED, *inside)
    return [int(number) for number in conn.execute(query).scalars()]


def exchanges(conn: Connection, point_id: int, from_ms: int, to_ms: int) -> list[Exchange]:
    """Return when a totalizer's register was replaced near a span, the oldest first."""
    query = (
        select(_table)
        .where(
            _table.c.point_id == point_id,
            _table.c.kind == REPLACED,
            _table.c.at_ms >= from_ms - NEAR_MS,
            _table.c.at_ms <= to_ms + NEAR_MS,
        )
        .order_by(_table.c.at_ms)
    )
    return [Exchange(row.at_ms, row.before, row.after, row.unknown) for row in conn.execute(query)]


def replaced_since(conn: Connection, from_ms: int) -> dict[int, tuple[int, ...]]:
    """Return when stations were replaced from an instant on [UTC ms], by site."""
    point = schema.point
    query = (
        select(point.c.site_id, _table.c.at_ms)
        .join(point, point.c.id == _table.c.point_id)
        .where(_table.c.kind == REPLACED, _table.c.at_ms >= from_ms)
        .distinct()
        .order_by(_table.c.at_ms)
    )
    found: dict[int, tuple[int, ...]] = {}
    for site_id, at_ms in conn.execute(query):
        found[site_id] = (*found.get(site_id, ()), at_ms)
    return found


def _event(row: Row[Any]) -> CountEvent:
    return CountEvent(**{name: getattr(row, name) for name in CountEvent.__dataclass_fields__})

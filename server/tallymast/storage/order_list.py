"""Finds orders for lists: of a site, in a state, of a span, page after page, newest first."""

from dataclasses import dataclass

from sqlalchemy import Connection

from tallymast.domain.orders.model import Order, OrderState
from tallymast.storage import orders, schema

_table = schema.orders


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which orders are listed: ``from_ms <= made < to_ms``; None: all."""

    site_id: int | None = None
    state: OrderState | None = None
    from_ms: int = 0
    to_ms: int = 2**62


def search(
    conn: Connection, wanted: Wanted, limit: int, before_id: int | None = None
) -> tuple[Order, ...]:
    """Return orders, the newest first; ``before_id`` goes on after the page before."""
    where = [_table.c.made_ms >= wanted.from_ms, _table.c.made_ms < wanted.to_ms]
    if wanted.site_id is not None:
        where.append(_table.c.site_id == wanted.site_id)
    if wanted.state is not None:
        where.append(_table.c.state == wanted.state.value)
    if before_id is not None:
        where.append(_table.c.id < before_id)
    return orders.listed(conn, where, limit)

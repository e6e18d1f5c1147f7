"""Keeps the last exchanges of each gateway in bytes, written only while somebody watches."""

from collections.abc import Iterable

from sqlalchemy import Connection, delete, func, select

from tallymast.domain.model import WireLine
from tallymast.storage import schema, setting
from tallymast.storage.changes import insert_many

SLOTS = 512
_PREFIX = "watch-line:"
_table = schema.wire


def store(conn: Connection, lines: Iterable[WireLine]) -> None:
    """Store lines in place of the oldest ones, in the order in which they came."""
    by_gateway: dict[int, list[WireLine]] = {}
    for line in lines:
        by_gateway.setdefault(line.gateway_id, []).append(line)
    for gateway_id, some in by_gateway.items():
        newest = conn.execute(
            select(func.max(_table.c.n)).where(_table.c.gateway_id == gateway_id)
        ).scalar()
        first = 0 if newest is None else int(newest) + 1
        rows = [
            (
                gateway_id,
                n % SLOTS,
                n,
                line.at_ms,
                line.way,
                line.site_id,
                line.body,
                line.meaning,
            )
            for n, line in enumerate(some[-SLOTS:], start=first)
        ]
        insert_many(conn, _table, rows)


def load(
    conn: Connection, gateway_id: int, *, site_id: int | None = None, limit: int = SLOTS
) -> list[WireLine]:
    """Return a gateway's newest lines, newest first; of one site alone where it is named."""
    query = select(_table).where(_table.c.gateway_id == gateway_id)
    if site_id is not None:
        query = query.where(_table.c.site_id == site_id)
    rows = conn.execute(query.order_by(_table.c.n.desc()).limit(limit))
    return [
        WireLine(row.gateway_id, row.site_id, row.at_ms, row.way, row.bytes, row.meaning)
        for row in rows
    ]


def forget(conn: Connection, gateway_id: int) -> None:
    """Delete a gateway's lines."""
    conn.execute(delete(_table).where(_table.c.gateway_id == gateway_id))


def watch(conn: Connection, gateway_id: int, until_ms: int) -> None:
    """Ask that a gateway's exchanges are recorded until an instant; never shortens an earlier wish.

    To be renewed by whoever goes on watching.
    """
    if until_ms > watched(conn).get(gateway_id, 0):
        setting.keep(conn, f"{_PREFIX}{gateway_id}", str(until_ms))


def watched(conn: Connection) -> dict[int, int]:
    """Return until when each gateway is recorded, by its id."""
    table = schema.setting
    query = select(table.c.key, table.c.value).where(table.c.key.startswith(_PREFIX))
    return {int(key.removeprefix(_PREFIX)): int(value) for key, value in conn.execute(query)}

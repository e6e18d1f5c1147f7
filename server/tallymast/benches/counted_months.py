"""Fills a database with what its points counted: one week worked out, repeated for those before."""

from collections.abc import Iterable

from sqlalchemy import Connection, select

from tallymast.domain.model import Gateway, SitePlan
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.storage import schema
from tallymast.storage.changes import insert_many
from tallymast.storage.days import load_contract
from tallymast.storage.engine import Database
from tallymast.storage.volume_hours import put, work_out
from tallymast.storage.volume_keeping import counted_points

_WEEK_MS = 7 * 24 * HOUR_MS


def fill(
    database: Database, sites: Iterable[tuple[Gateway, SitePlan]], now_ms: int, days: int
) -> int:
    """Work out the last week of every counting point, repeat it, and return how many there are.

    Args:
        database: with the polls of the last week.
        sites: each with its gateway.
        now_ms: the newest instant.
        days: how far back it is repeated.

    """
    count = 0
    for gateway, plan in sites:
        with database.writing() as conn:
            contract = load_contract(conn)
            for one in counted_points(conn, gateway, plan):
                worked = work_out(conn, one, (now_ms - _WEEK_MS, now_ms), contract)
                if worked is not None:
                    put(conn, one.point_id, worked)
                    _repeat(conn, one.point_id, now_ms - days * 24 * HOUR_MS)
                count += 1
    return count


def _repeat(conn: Connection, point_id: int, first_ms: int) -> None:
    hour = schema.volume_hour
    names = [column.name for column in hour.columns]
    begin, end = names.index("from_ms"), names.index("to_ms")
    rows = [list(row) for row in conn.execute(select(hour).where(hour.c.point_id == point_id))]
    while rows := [row for row in rows if row[begin] - _WEEK_MS >= first_ms]:
        for row in rows:
            row[begin] -= _WEEK_MS
            row[end] -= _WEEK_MS
        query = select(hour.c.from_ms).where(hour.c.point_id == point_id)
        seen = {int(row[0]) for row in conn.execute(query)}  # the last week is an hour longer
        insert_many(conn, hour, [tuple(row) for row in rows if row[begin] not in seen])

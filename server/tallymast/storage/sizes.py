"""Measures the database: what each table takes, what a day adds, and what room there is."""

import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, Table, func, select

from tallymast.storage import schema
from tallymast.storage.engine import Database

DAY_MS: Final = 86_400_000
_LOOK_BACK: Final = 7  # whole days whose growth is taken for a day's

# What a table holds, for people; tables that are not named here are counted together.
WORDS: Final = {
    "chunk": "polls, packed by hour and day",
    "poll": "polls of the hours that go on",
    "point_hour": "points by hour",
    "point_pack": "points by hour, packed",
    "point_day": "points by contract day",
    "comm_hour": "contact by hour",
    "comm_day": "contact by contract day",
    "audit": "who did what",
}
_GROWING: Final[Mapping[Table, str]] = {
    schema.point_hour: "hour_ms",
    schema.comm_hour: "hour_ms",
    schema.comm_day: "day_ms",
    schema.point_day: "day_ms",
}


@dataclass(frozen=True, slots=True)
class Sizes:
    """What the record takes, in bytes.

    Attributes:
        tables: by what they hold, the largest first.
        file: the whole database.
        log: the write-ahead log beside it; 0 on a server.
        unused: free inside the file, to be used again.
        free: free on its disk; None where that is a server's.
        growth: what a day adds, from the last seven; None with no whole day yet.
        oldest_ms: when the oldest poll that is there was made.

    """

    tables: Mapping[str, int]
    file: int
    log: int
    unused: int
    free: int | None
    growth: float | None
    oldest_ms: int | None


def measure(database: Database, now_ms: int) -> Sizes:
    """Return what the database takes; reads all of a file, which takes seconds for a gigabyte.

    Raises:
        StorageError: the database refused.

    """
    with database.reading() as conn:
        sizes = _file_tables(conn) if database.file else _server_tables(conn)
        growth = _growth(conn, sizes, now_ms)
        chunk = schema.chunk
        oldest = conn.execute(
            select(func.min(chunk.c.start_ms)).where(chunk.c.site_id.in_(select(schema.site.c.id)))
        ).scalar()
        unused = _unused(conn) if database.file else 0
    file = sum(bytes_ for bytes_, _ in sizes.values()) + unused
    log = free = None
    if database.file is not None:
        beside = database.file.with_name(database.file.name + "-wal")
        log = beside.stat().st_size if beside.exists() else 0
        free = shutil.disk_usage(database.file.parent).free
    return Sizes(_named(sizes), file, log or 0, unused, free, growth, oldest)


def _named(sizes: Mapping[str, tuple[int, int]]) -> dict[str, int]:
    named: dict[str, int] = {}
    for table, (size, _) in sizes.items():
        words = WORDS.get(table, "everything else")
        named[words] = named.get(words, 0) + size
    return dict(sorted(named.items(), key=lambda item: -item[1]))


def _file_tables(conn: Connection) -> dict[str, tuple[int, int]]:
    """Return bytes and entries by table, its indexes with it."""
    rows = conn.exec_driver_sql(
        "SELECT coalesce(s.tbl_name, d.name), sum(d.pgsize),"
        " sum(CASE WHEN d.name = s.tbl_name THEN d.ncell ELSE 0 END)"
        " FROM dbstat d LEFT JOIN sqlite_schema s ON s.name = d.name"
        " WHERE d.aggregate = TRUE GROUP BY 1"
    )
    return {str(row[0]): (int(row[1]), int(row[2] or 0)) for row in rows}


def _server_tables(conn: Connection) -> dict[str, tuple[int, int]]:
    rows = conn.exec_driver_sql(
        "SELECT relname, pg_total_relation_size(oid), greatest(reltuples, 0)::bigint"
        " FROM pg_class WHERE relkind = 'r' AND relnamespace = current_schema()::regnamespace"
    )
    return {str(row[0]): (int(row[1]), int(row[2])) for row in rows}


def _unused(conn: Connection) -> int:
    pages = conn.exec_driver_sql("PRAGMA freelist_count").scalar_one()
    return int(pages) * int(conn.exec_driver_sql("PRAGMA page_size").scalar_one())


def _growth(conn: Connection, sizes: Mapping[str, tuple[int, int]], now_ms: int) -> float | None:
    end_ms = now_ms // DAY_MS * DAY_MS
    begin_ms = end_ms - _LOOK_BACK * DAY_MS
    chunk = schema.chunk
    every_site = chunk.c.site_id.in_(select(schema.site.c.id))
    row: Any = conn.execute(
        select(func.sum(func.length(chunk.c.body)), func.min(chunk.c.start_ms)).where(
            every_site, chunk.c.start_ms >= begin_ms, chunk.c.start_ms < end_ms
        )
    ).one()
    if row[0] is None:
        return None
    days = (end_ms - int(row[1])) / DAY_MS
    added = float(row[0]) + sum(
        _added(conn, table, column, sizes, (begin_ms, end_ms)) for table, column in _GROWING.items()
    )
    return added / max(days, 1.0)


def _added(
    conn: Connection,
    table: Table,
    column: str,
    sizes: Mapping[str, tuple[int, int]],
    span: tuple[int, int],
) -> float:
    """Return the bytes a table's entries of a span take, from what an entry takes at large."""
    size, entries = sizes.get(table.name, (0, 0))
    key = next(iter(table.primary_key.columns))
    of = schema.site.c.id if key.name == "site_id" else schema.point.c.id
    query = (
        select(func.count())
        .select_from(table)
        .where(key.in_(select(of)), table.c[column] >= span[0], table.c[column] < span[1])
    )
    return size / entries * int(conn.execute(query).scalar_one()) if entries else 0.0

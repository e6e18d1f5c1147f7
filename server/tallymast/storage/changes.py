"""What every writer shares: sequence numbers without gaps under commits, upserts, JSON text."""

import json
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, Table, delete, insert
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.sql.dml import Insert

from tallymast.storage import schema

_KEPT_MS = 24 * 3600 * 1000


def next_seq(conn: Connection) -> int:
    """Return the next number of the change feed.

    Taken by UPDATE in the caller's transaction: who holds a number holds the row, so numbers
    become visible in their order. A serial key would let a reader step over a slow commit.
    """
    (row,) = _driver(conn).execute("UPDATE tick SET n = n + 1 RETURNING n").fetchall()
    return int(row[0])


def log_change(conn: Connection, at_ms: int, kind: str, key: str) -> int:
    """Write into the change feed that something of ``kind`` changed; return its number."""
    seq = next_seq(conn)
    conn.execute(insert(schema.change), [{"seq": seq, "at_ms": at_ms, "kind": kind, "key": key}])
    conn.execute(delete(schema.change).where(schema.change.c.at_ms < at_ms - _KEPT_MS))
    return seq


def upsert(dialect: str, table: Table, *, keep: bool = False) -> Insert:
    """Return an insert that overwrites the row with the same primary key.

    Args:
        dialect: ``sqlite`` or ``postgresql``.
        table: its primary key decides what "the same" is.
        keep: leave the row that is there as it is.

    """
    statement = sqlite.insert(table) if dialect == "sqlite" else postgresql.insert(table)
    key = [column.name for column in table.primary_key.columns]
    if keep:
        return statement.on_conflict_do_nothing(index_elements=key)
    others = {
        column.name: statement.excluded[column.name]
        for column in table.columns
        if column.name not in key
    }
    return statement.on_conflict_do_update(index_elements=key, set_=others)


def insert_many(
    conn: Connection, table: Table, rows: Sequence[tuple[Any, ...]], *, keep: bool = False
) -> int:
    """Upsert rows given as tuples in the table's column order, by the driver's own many.

    Returns:
        How many rows were written.

    The statement is compiled once and the driver is handed tuples: a tenth of the CPU of
    ``execute(insert(t), [dicts])``, and ``insert().values([dicts])`` takes 25 times that.

    """
    statement = _statement(conn.dialect.name, table, keep)
    return int(_driver(conn).executemany(statement, rows).rowcount)


def _driver(conn: Connection) -> Any:
    """Return the driver's cursor of a transaction; what it does there is part of it."""
    return _Plain(conn) if conn.dialect.name == "postgresql" else conn.connection.cursor()


class _Plain:
    """The same by way of SQLAlchemy, which knows how psycopg wants its statements."""

    def __init__(self, conn: Connection) -> None:
        self._conn = conn

    def executemany(self, statement: str, rows: Sequence[tuple[Any, ...]]) -> Any:
        """Run a statement for each row."""
        return self._conn.exec_driver_sql(statement, list(rows))

    def execute(self, statement: str) -> Any:
        """Run a statement."""
        return self._conn.exec_driver_sql(statement)


@lru_cache(maxsize=64)
def _statement(dialect: str, table: Table, keep: bool) -> str:
    compiler: Callable[[], Any] = sqlite.dialect if dialect == "sqlite" else postgresql.dialect
    made = compiler()
    if dialect == "postgresql":
        made.paramstyle, made.positional = "format", True
    return str(upsert(dialect, table, keep=keep).compile(dialect=made))


def canonical(value: Any) -> str:
    """Return JSON text that is the same for equal values."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)

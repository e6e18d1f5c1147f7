"""Keeps single facts by name, such as when the demo was begun."""

from sqlalchemy import Connection, select

from tallymast.storage import schema
from tallymast.storage.changes import insert_many

_table = schema.setting


def load(conn: Connection, key: str) -> str | None:
    """Return what is kept under a name, None if nothing is."""
    found = conn.execute(select(_table.c.value).where(_table.c.key == key)).scalar()
    return None if found is None else str(found)


def keep(conn: Connection, key: str, value: str) -> None:
    """Keep a value under a name, in place of what was there."""
    insert_many(conn, _table, [(key, value)])

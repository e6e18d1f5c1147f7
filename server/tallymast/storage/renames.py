"""Gives gateways, profiles and sites another key and leaves their history with them."""

from collections.abc import Sequence
from typing import Final

from sqlalchemy import Connection, select, update

from tallymast.domain.errors import StorageError
from tallymast.domain.setup.proposals import Rename
from tallymast.storage import schema

_TABLES: Final = {"gateway": schema.gateway, "profile": schema.profile, "site": schema.site}


Renames = Sequence[Rename]


def rename(conn: Connection, renamed: Renames) -> None:
    """Give each its new key.

    Raises:
        StorageError: the old key is not there, or the new one belongs or belonged to another:
            its history would be taken for this one's.

    """
    for one in renamed:
        table = _TABLES[one.table]
        if conn.execute(select(table.c.id).where(table.c.key == one.new)).scalar() is not None:
            raise StorageError(
                f"The key {one.new} belongs to another {one.table} already, perhaps to a retired "
                "one whose history is kept under it; choose another key."
            )
        query = update(table).where(table.c.key == one.old).values(key=one.new)
        if conn.execute(query).rowcount != 1:
            raise StorageError(f"There is no {one.table} {one.old} to rename.")

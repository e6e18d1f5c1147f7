"""Makes the small database that is kept of each released schema.

    PYTHONPATH=server python -m tests.storage.kept.make          the newest step
    PYTHONPATH=server python -m tests.storage.kept.make 0003     another one

To be run once a step, when it is released, and the file committed: NNNN.sql is what that
release left on people's disks, so it is never made again and never changed by hand. The rows
are put in by today's storage and copied, column by column, into a database of that step. When
a step brings a new table, ``fill.py`` has to put a row into it first; this refuses otherwise.
"""

import sqlite3
import sys
import tempfile
from contextlib import closing
from pathlib import Path

from sqlalchemy import create_engine

from tallymast.storage.engine import open_database

from .fill import fill
from .steps import KEPT, all_steps, bring_to


def main(steps: list[str]) -> None:
    """Make the dumps of these steps; of the newest where none is named."""
    for step in steps or all_steps()[-1:]:
        file = KEPT / f"{step}.sql"
        if file.exists():
            sys.exit(f"{file.name} is there already; what was released is never made again.")
        with tempfile.TemporaryDirectory() as folder:
            text = _made(Path(folder), step)
        file.write_text(text, encoding="utf-8")
        print(f"{file.name}: {len(text.encode())} bytes")


def _made(folder: Path, step: str) -> str:
    newest, old = folder / "newest.sqlite3", folder / "old.sqlite3"
    database = open_database(newest)
    fill(database)
    database.close()
    engine = create_engine(f"sqlite:///{old}")
    bring_to(engine, step)
    engine.dispose()
    with closing(sqlite3.connect(old, isolation_level=None)) as connection:
        connection.execute("ATTACH ? AS newest", (str(newest),))
        for (table,) in connection.execute(
            "SELECT name FROM main.sqlite_master WHERE type = 'table'"
            " AND name NOT IN ('schema_version', 'sqlite_sequence')"
            " ORDER BY name = 'proof'"  # a sealed proof takes no steps: they come first
        ).fetchall():
            _copy(connection, table)
        connection.execute("DETACH newest")
        head = f"-- Schema {step} with a few invented rows, made by make.py.\n"
        return head + "\n".join(connection.iterdump()) + "\n"


def _copy(connection: sqlite3.Connection, table: str) -> None:
    columns = [row[1] for row in connection.execute(f"PRAGMA main.table_info('{table}')")]
    names = ", ".join(f'"{column}"' for column in columns)
    select = f'SELECT {names} FROM newest."{table}"'
    connection.execute(f'INSERT OR REPLACE INTO main."{table}" ({names}) {select}')
    if connection.execute(f'SELECT count(*) FROM main."{table}"').fetchone()[0] == 0:
        sys.exit(f"{table} has no row; let fill.py put one into it.")


if __name__ == "__main__":
    main(sys.argv[1:])

"""The same test on SQLite and on PostgreSQL."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from tests.blank import blank
from tests.postgres import migrated_database

from tallymast.storage.engine import Database, open_database

DIALECTS = ("sqlite", pytest.param("postgresql", marks=pytest.mark.postgres))
# For a test whose file has a fixture ``database`` that asks ``database_of``.
both_dialects = pytest.mark.parametrize("database", DIALECTS, indirect=True)


@contextmanager
def database_of(request: pytest.FixtureRequest, folder: Path) -> Iterator[Database]:
    """Give an open database of today's schema, of the dialect a fixture is asked for.

    Args:
        request: its parameter is one of ``DIALECTS``; without one it is SQLite.
        folder: where a file may be made.

    """
    if getattr(request, "param", "sqlite") == "sqlite":
        with closing(blank(folder / "tallymast.sqlite3")) as opened:
            yield opened
        return
    server = request.getfixturevalue("postgres")
    with migrated_database(server) as url, closing(open_database(url)) as opened:
        yield opened

"""A database of today's schema for tests whose subject is not the schema.

Running every migration step takes longer than most of these tests. They are run once in a
process, by the same ``open_database`` the program uses; a test gets a copy of that file, opened.
The steps themselves are tested in tests/storage on files that begin with nothing.
"""

import tempfile
from functools import cache
from pathlib import Path

from tallymast.storage.engine import Database, open_database


def blank(file: Path) -> Database:
    """Open a database that holds nothing yet but its tables; whoever asks closes it."""
    assert not file.exists(), f"{file} is there already"
    file.write_bytes(_migrated())
    return open_database(file)


@cache
def _migrated() -> bytes:
    with tempfile.TemporaryDirectory(prefix="tallymast-blank-") as folder:
        file = Path(folder) / "tallymast.sqlite3"
        open_database(file).close()  # the last connection empties the write-ahead log into it
        return file.read_bytes()

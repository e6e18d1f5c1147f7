"""Copies a database whole while it is in use, and puts a copy in its place after checking it."""

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from tallymast.domain.errors import ConfigError, StorageError
from tallymast.storage.engine import Database
from tallymast.storage.migrate import VERSION_TABLE, known_steps

UNFINISHED = ".unfinished"  # ends the name of a copy that is not whole yet
_OURS = ("poll", "chunk", "site", "network")


def backup(database: Database, file: Path) -> None:
    """Write a whole copy of the database into a new file, beside polling.

    The copy is made in one step (``VACUUM INTO`` sees one moment), under another name, and
    takes its own only when it is whole and on the disk.

    Raises:
        ConfigError: the file is there already, or its directory cannot be written.
        StorageError: the database refused, or is not a SQLite file.

    """
    if database.file is None:
        raise StorageError(
            f"{database.place} is kept by a PostgreSQL server; copy it with that server's tools."
        )
    if file.exists():
        raise ConfigError(f"{file} is there already; a backup never writes over a file.")
    unfinished = file.with_name(file.name + UNFINISHED)
    try:
        unfinished.unlink(missing_ok=True)
        with closing(sqlite3.connect(database.file)) as connection:
            connection.execute("VACUUM INTO ?", (str(unfinished),))
        _to_disk(unfinished)
        unfinished.rename(file)
    except OSError as error:
        raise ConfigError(f"{file} cannot be written: {error.strerror}.") from error
    except sqlite3.Error as error:
        unfinished.unlink(missing_ok=True)
        raise StorageError(f"{file} could not be written: {error}.") from error


def check_copy(file: Path) -> None:
    """Look whether a copy is a whole database of ours.

    Raises:
        ConfigError: it is not there, not a database, not ours, damaged, or of a newer version.

    """
    if not file.is_file():
        raise ConfigError(f"{file} is not there.")
    try:
        with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as connection:
            said = connection.execute("PRAGMA quick_check(3)").fetchall()
            names = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
            version = _version(connection) if VERSION_TABLE in names else None
    except sqlite3.Error as error:
        raise ConfigError(f"{file} is not a database that can be read: {error}.") from error
    if said != [("ok",)]:
        raise ConfigError(f"{file} is damaged: {said[0][0]}. The database was left as it is.")
    if not names.issuperset(_OURS):
        raise ConfigError(f"{file} is a database, but not one of Tallymast's.")
    if version not in known_steps():
        raise ConfigError(
            f"{file} was written by a newer Tallymast (its schema is {version}). "
            "Install that version or a newer one; the database was left as it is."
        )


def _version(connection: sqlite3.Connection) -> str | None:
    row = connection.execute(f"SELECT version_num FROM {VERSION_TABLE}").fetchone()
    return None if row is None else str(row[0])


def restore(file: Path, place: Path) -> Path | None:
    """Put a checked copy in a database's place; nothing may have that database open.

    Args:
        file: the copy.
        place: the database's file.

    Returns:
        Where the database lies that was there before; None if there was none.

    Raises:
        ConfigError: the copy is not whole; the database was left as it is.
        StorageError: the database is in use, or the disk refused.

    """
    check_copy(file)
    _refuse_if_in_use(place)
    unfinished = place.with_name(place.name + UNFINISHED)
    kept = None
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        with closing(sqlite3.connect(file)) as source, closing(sqlite3.connect(unfinished)) as copy:
            source.backup(copy, pages=-1)
        _to_disk(unfinished)
        if place.exists():
            kept = _free_name(place)
            place.rename(kept)
        unfinished.rename(place)
    except OSError as error:
        raise StorageError(f"{place} could not be replaced: {error.strerror}.") from error
    return kept


def _refuse_if_in_use(place: Path) -> None:
    if not place.exists():
        return
    try:
        with closing(sqlite3.connect(place, timeout=0.5)) as connection:
            # Leaving WAL mode needs the file for oneself, and empties the log into it.
            mode = connection.execute("PRAGMA journal_mode=DELETE").fetchone()[0]
    except sqlite3.OperationalError:
        mode = "in use"
    except sqlite3.DatabaseError:
        return  # what is there is no database: replacing it loses nothing
    if mode != "delete":
        raise StorageError(f"{place} is in use; end the running Tallymast first.")


def _free_name(place: Path) -> Path:
    for n in range(1, 1000):
        name = place.with_name(f"{place.name}.before-restore-{n}")
        if not name.exists():
            return name
    raise StorageError(f"There are 999 replaced databases beside {place}; remove some.")


def _to_disk(file: Path) -> None:
    with file.open("rb") as handle:
        os.fsync(handle.fileno())

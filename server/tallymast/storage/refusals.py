"""Says in a sentence why the database refused, and what to do about it."""

import sqlite3

from sqlalchemy.exc import DBAPIError, OperationalError, TimeoutError

from tallymast.domain.errors import StorageError

# SQLite's primary result codes (sqlite.org/rescode.html).
_SENTENCES = {
    sqlite3.SQLITE_BUSY: "{place} is locked by another program, for more than 5 s. "
    "End that program, or wait until its work is done.",
    sqlite3.SQLITE_LOCKED: "{place} is locked by another connection.",
    sqlite3.SQLITE_FULL: "The disk that holds {place} is full. Make room; nothing else is needed.",
    sqlite3.SQLITE_READONLY: "{place} may not be written. "
    "Give this user the right to write the file and its directory.",
    sqlite3.SQLITE_CANTOPEN: "{place} cannot be opened. "
    "Check that its directory exists and that this user may write there.",
    sqlite3.SQLITE_PERM: "{place} may not be opened by this user.",
    sqlite3.SQLITE_NOTADB: "{place} is not a database. "
    "Move it away, or choose another place with --data-dir.",
    sqlite3.SQLITE_CORRUPT: "{place} is damaged. Restore the newest backup "
    "(tallymast restore FILE); the damaged file should be kept.",
    sqlite3.SQLITE_IOERR: "Reading or writing {place} failed: the disk or its connection is at "
    "fault.",
}


def storage_error(place: str, error: BaseException) -> StorageError:
    """Return the sentence for a refusal of the engine.

    Args:
        place: the file or URL, as people know it.
        error: what sqlite3, psycopg or SQLAlchemy raised.

    """
    original = error.orig if isinstance(error, DBAPIError) else error
    if isinstance(error, TimeoutError):
        return StorageError(f"{place} had no free connection for 30 s: something holds them all.")
    if isinstance(original, sqlite3.Error):
        code = getattr(original, "sqlite_errorcode", 0) & 0xFF
        sentence = _SENTENCES.get(code, "{place} refused: {original}.")
        return StorageError(sentence.format(place=place, original=original))
    if isinstance(error, OperationalError) and error.connection_invalidated is False:
        return StorageError(f"The database server at {place} cannot be used: {original}".strip())
    return StorageError(f"The database at {place} refused: {original}".strip())

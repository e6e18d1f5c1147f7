"""What the database holds, read anew when anything was stored: here or by another process."""

import logging
from collections.abc import Callable
from threading import Lock
from typing import Generic, TypeVar

from sqlalchemy import Connection

from tallymast.domain.errors import StorageError
from tallymast.storage.engine import Database

log = logging.getLogger(__name__)

T = TypeVar("T")


class Followed(Generic[T]):
    """Something small of the database, as it is now.

    Args:
        database: where it is kept.
        read: reads it, in a transaction of its own.
        first: what it is until the first reading succeeds.
        what: what it is, the beginning of a sentence of the log.

    """

    def __init__(
        self, database: Database, read: Callable[[Connection], T], first: T, what: str
    ) -> None:
        self._database = database
        self._read = read
        self._what = what
        self._lock = Lock()
        self._version: int | None = None
        self._known = first

    def now(self) -> T:
        """Return it, the same object while it is equal; while the database refuses, as it was."""
        with self._lock:
            try:
                self._follow()
            except StorageError as error:
                log.warning("%s as they were: %s", self._what, error)
            return self._known

    def _follow(self) -> None:
        version = self._database.data_version()
        if version == self._version:
            return
        with self._database.reading() as conn:
            found = self._read(conn)
        self._version = version
        if found != self._known:
            self._known = found

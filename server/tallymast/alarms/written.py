"""What people wrote of alarms, read anew when anything was stored: here or by another process."""

import logging
from collections.abc import Mapping
from threading import Lock

from tallymast.domain.alarms.rationalised import Written
from tallymast.domain.errors import StorageError
from tallymast.storage import rationalised
from tallymast.storage.engine import Database

log = logging.getLogger(__name__)


class WrittenWords:
    """Knows the words in force, by the alarm's key.

    Args:
        database: where they are kept.

    """

    def __init__(self, database: Database) -> None:
        self._database = database
        self._lock = Lock()
        self._version: int | None = None
        self._words: Mapping[str, Written] = {}

    def now(self) -> Mapping[str, Written]:
        """Return them; while the database refuses, as they were."""
        with self._lock:
            try:
                self._follow()
            except StorageError as error:
                log.warning("words of alarms are as they were: %s", error)
            return self._words

    def _follow(self) -> None:
        version = self._database.data_version()
        if version == self._version:
            return
        with self._database.reading() as conn:
            words = rationalised.in_force(conn)
        self._version = version
        if words != self._words:
            self._words = words

"""Tells where pages are served whether messages reach people, by what the database holds of it."""

import logging
from collections.abc import Callable
from typing import Final

from tallymast.domain.errors import StorageError
from tallymast.domain.telling.trouble import overdue, unreached
from tallymast.storage import contacts, messages, telling_settings
from tallymast.storage.engine import Database

log = logging.getLogger(__name__)

READ_MS: Final = 10_000  # ours: every page asks, and tries are further apart than that


class TellingTold:
    """What is stored of trouble with telling, read now and then.

    Args:
        database: where the process that sends keeps messages, tries and its faults.
        now_ms: the wall clock.

    """

    def __init__(self, database: Database, now_ms: Callable[[], int]) -> None:
        self._database = database
        self._now_ms = now_ms
        self._read_ms: int | None = None
        self._said = ""

    def trouble(self) -> str:
        """Return in a sentence why people are not told, as stored in the last seconds."""
        now_ms = self._now_ms()
        if self._read_ms is None or not 0 <= now_ms - self._read_ms < READ_MS:
            self._read_ms = now_ms
            try:
                self._said = self._read(now_ms)
            except StorageError as error:
                log.warning("whether people are told is read later: %s", error)
        return self._said

    def _read(self, now_ms: int) -> str:
        with self._database.reading() as conn:
            known = {one.id: one for one in contacts.in_use(conn)}
            if fault := telling_settings.fault(conn):
                return fault
            said = unreached(known, messages.last_tries(conn))
            return said or overdue(messages.waiting(conn), now_ms)

"""Keeps each day's Morning round once, at seven or as soon as it can be said after that."""

import logging
import threading
from collections.abc import Callable
from typing import Final

from tallymast.domain.errors import StorageError
from tallymast.domain.health.nights import day_number
from tallymast.domain.local_times import local_time
from tallymast.domain.rounds import KEPT_AT_MINUTE, KeptRound
from tallymast.domain.zones import find_zone
from tallymast.routes.services import NetworkView
from tallymast.storage import rounds
from tallymast.storage.engine import Database

log = logging.getLogger(__name__)

LOOK_S: Final = 15.0


class RoundKeeper(threading.Thread):
    """Looks every few seconds whether today's round is to be kept.

    Args:
        database: where rounds are kept.
        view: the network as it is now, for its time zone.
        now_ms: the wall clock.
        said: what the round says for a day, None while it cannot be said yet.

    """

    def __init__(
        self,
        database: Database,
        view: Callable[[], NetworkView],
        now_ms: Callable[[], int],
        said: Callable[[int], KeptRound | None],
    ) -> None:
        super().__init__(name="rounds", daemon=True)
        self._database = database
        self._view = view
        self._now_ms = now_ms
        self._said = said
        self._kept_day: int | None = None
        self._ended = threading.Event()

    def run(self) -> None:
        """Look until stopped; a refused look is tried again."""
        while not self._ended.wait(LOOK_S):
            try:
                self.look()
            except StorageError as error:
                log.warning("keeping the round waits: %s", error)

    def stop(self) -> None:
        """End after the look in hand."""
        self._ended.set()
        self.join()

    def look(self) -> bool:
        """Keep today's round if it is time and it is not kept; return whether it was kept now."""
        local = local_time(self._now_ms(), find_zone(self._view().time_zone))
        day = day_number(local.date())
        if day == self._kept_day or 60 * local.hour + local.minute < KEPT_AT_MINUTE:
            return False
        with self._database.reading() as connection:
            known = rounds.load(connection, day)
        if known is None:
            said = self._said(day)
            if said is None:
                return False
            with self._database.writing() as connection:
                rounds.keep(connection, said)
        self._kept_day = day
        return known is None

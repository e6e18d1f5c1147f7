"""Keeps each month's reliability once, when its last contract day is over and added up.

What is kept is never changed: a month is told as the record had it then. Months that are missing
are told later, up to twelve back, as far as the record has them.
"""

import logging
import threading
from collections.abc import Callable
from datetime import date
from typing import Final

from tallymast.domain.errors import DecodeError, StorageError
from tallymast.domain.record.months import end_of, months_due, name_of
from tallymast.files.report_shelf import ReportShelf
from tallymast.routes.reliability_reading import contract_of
from tallymast.routes.report_months import keep_month
from tallymast.routes.services import Services
from tallymast.storage import days

log = logging.getLogger(__name__)

LOOK_S: Final = 15.0
TRY_AGAIN_MS: Final = 900_000  # after a month that could not be kept
PATIENCE_MS: Final = 6 * 3_600_000  # ours: so long a month waits for its days to be added up


class MonthKeeper(threading.Thread):
    """Looks every few seconds whether a month is to be told; at most one a look.

    Args:
        given: the services.
        shelf: where months are kept.
        may: whether the record is as it should be; False while its past is being written.

    """

    def __init__(
        self, given: Services, shelf: ReportShelf, may: Callable[[], bool] = lambda: True
    ) -> None:
        super().__init__(name="months", daemon=True)
        self._given = given
        self._shelf = shelf
        self._may = may
        self._empty: set[str] = set()  # months without a poll
        self._tried_ms: int | None = None
        self._ended = threading.Event()
        self.words = ""  # what went wrong last, in a sentence; empty when all is well

    def run(self) -> None:
        """Look until stopped; what is refused is tried again."""
        self._shelf.clear_unfinished()
        while not self._ended.wait(LOOK_S):
            try:
                self.look()
            except (StorageError, DecodeError) as error:
                log.warning("keeping the month waits: %s", error)

    def stop(self) -> None:
        """End after the month in hand."""
        self._ended.set()
        if self.is_alive():
            self.join()

    def look(self) -> str:
        """Keep the oldest month that is due; return its name, empty where nothing was kept.

        Raises:
            StorageError: the record cannot be read.

        """
        now_ms = self._given.now_ms()
        if not self._may() or self._given.judged_ms() is None or self._rests(now_ms):
            return ""
        for month in self._due(now_ms):
            if self._ended.is_set() or not self._is_ready(month, now_ms):
                return ""
            if self._keep(month, now_ms):
                return name_of(month)
            if self.words:
                return ""
        return ""

    def _rests(self, now_ms: int) -> bool:
        """Whether the last try failed just now."""
        return self._tried_ms is not None and 0 <= now_ms - self._tried_ms < TRY_AGAIN_MS

    def _due(self, now_ms: int) -> list[date]:
        done = self._shelf.whole_months() | self._empty
        contract = contract_of(self._given.network())
        if not months_due(now_ms, 0, contract, done):
            return []
        with self._given.database.reading() as connection:
            since_ms = days.first_day_ms(connection)
        return months_due(now_ms, since_ms, contract, done)

    def _is_ready(self, month: date, now_ms: int) -> bool:
        """Whether a month's days are added up, or that has been waited for long enough."""
        end_ms = end_of(month, contract_of(self._given.network()))
        if now_ms - end_ms > PATIENCE_MS:
            return True
        with self._given.database.reading() as connection:
            return days.is_closed(connection, end_ms)

    def _keep(self, month: date, now_ms: int) -> bool:
        name = name_of(month)
        try:
            told = keep_month(self._given, self._shelf, month, 1)
        except StorageError as error:
            self._tried_ms = now_ms
            said = f"The report of {month:%B %Y} could not be kept and is tried again"
            self.words = f"{said}: {error}"
            log.error("month=%s not kept: %s", name, error)
            return False
        self._tried_ms, self.words = None, ""
        if not told:
            self._empty.add(name)
            return False
        log.info("month=%s kept folder=%s", name, self._shelf.folder)
        return True

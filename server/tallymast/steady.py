"""Keeps the loops of desks going: a step that a fault of the program breaks does not end its loop.

What broke stands in the log with its traceback; that the desk stands still is told by every page
(domain/desks.py), and no sign of life goes out meanwhile.
"""

import json
import logging
import threading
from collections.abc import Callable, Iterator, Mapping
from typing import Final

from tallymast.domain.desks import Desk, Going, Standstill, Why, standstill
from tallymast.domain.errors import StorageError
from tallymast.storage import setting
from tallymast.storage.engine import Database

log = logging.getLogger(__name__)

KEPT: Final = "desks.standing"
READ_AGAIN_MS: Final = 2_000  # ours: how old what another process keeps may be


class Steady:
    """Takes the steps of one loop.

    Args:
        name: of the loop, for the log.
        now_ms: the wall clock.

    """

    def __init__(self, name: str, now_ms: Callable[[], int]) -> None:
        self._name = name
        self._now_ms = now_ms
        self.going = Going()

    def take(self, step: Callable[[], object]) -> bool:
        """Take a step, and return whether it did not break.

        Raises:
            StorageError: as the step does; a database that refuses is no fault of the program.

        """
        try:
            step()
        except StorageError:
            self.going = self.going.went()
            raise
        except Exception:  # a fault in one step must not end the loop
            if self.going.since_ms is None:
                log.exception("%s: a step broke by a bug", self._name)
            self.going = self.going.broke(self._now_ms())
            return False
        self.going = self.going.went()
        return True


class Desks:
    """Watches over the loops of this process.

    Args:
        now_ms: the wall clock.

    """

    def __init__(self, now_ms: Callable[[], int]) -> None:
        self._now_ms = now_ms
        self._threads: dict[Desk, threading.Thread | None] = {}
        self._steady: dict[Desk, Steady | None] = {}
        self._ended_ms: dict[Desk, int] = {}
        self._is_over = False

    def watch(
        self, desk: Desk, thread: threading.Thread | None = None, steady: Steady | None = None
    ) -> None:
        """Watch over a desk: over its thread, over the steps it takes, or both."""
        self._threads[desk] = thread
        self._steady[desk] = steady

    def end(self) -> None:
        """Take it that every thread ends from now on because it was ended."""
        self._is_over = True

    def standing(self) -> tuple[Standstill, ...]:
        """Return the desks that stand still, in the order in which they are watched over."""
        if self._is_over:
            return ()
        found = (standstill(desk, self._going(desk), self._ended(desk)) for desk in self._threads)
        return tuple(one for one in found if one is not None)

    def _going(self, desk: Desk) -> Going:
        steady = self._steady[desk]
        return steady.going if steady is not None else Going()

    def _ended(self, desk: Desk) -> int | None:
        """Return when a desk's loop was first seen to have ended, None while it works."""
        thread = self._threads[desk]
        if thread is None or thread.ident is None or thread.is_alive():
            return None
        return self._ended_ms.setdefault(desk, self._now_ms())


def keep(database: Database, standing: tuple[Standstill, ...]) -> None:
    """Keep which desks stand still, for processes that serve pages alone.

    Raises:
        StorageError: the database refused.

    """
    rows = [[one.desk.value, one.since_ms, one.why.value] for one in standing]
    with database.writing() as conn:
        setting.keep(conn, KEPT, json.dumps(rows))


class Elsewhere:
    """Which desks stand still in the process that polls, as it keeps that.

    Args:
        database: where it is kept.
        now_ms: the wall clock.
        looked: under which name that process keeps when it looked for alarms last.
        silent_ms: after which time without that nothing is heard of it.

    """

    def __init__(
        self, database: Database, now_ms: Callable[[], int], looked: str, silent_ms: int
    ) -> None:
        self._database = database
        self._now_ms = now_ms
        self._looked = looked
        self._silent_ms = silent_ms
        self._read: tuple[int, Mapping[Desk, Standstill]] | None = None

    def standing(self) -> tuple[Standstill, ...]:
        """Return the desks that stand still there, as kept a moment ago."""
        now_ms = self._now_ms()
        if self._read is None or not 0 <= now_ms - self._read[0] < READ_AGAIN_MS:
            try:
                self._read = now_ms, {one.desk: one for one in self._found(now_ms)}
            except StorageError as error:
                log.warning("which desks stand still is read later: %s", error)
                return ()
        return tuple(self._read[1].values())

    def _found(self, now_ms: int) -> Iterator[Standstill]:
        with self._database.reading() as conn:
            looked, kept = setting.load(conn, self._looked), setting.load(conn, KEPT)
        for desk, since_ms, why in json.loads(kept) if kept is not None else ():
            yield Standstill(Desk(desk), int(since_ms), Why(why))
        if looked is not None and now_ms - int(looked) >= self._silent_ms:
            for desk in (Desk.ORDERS, Desk.ALARMS):
                yield Standstill(desk, int(looked), Why.UNHEARD)

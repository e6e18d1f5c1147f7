"""Does a piece of the demo's past again where the database refuses, with growing waits."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from tallymast.domain.errors import StorageError

# Ours: each try waits 5 s for the lock by itself; a backup or a measurement takes minutes at most.
WAITS_S: Final = (5, 15, 45, 90, 180)


def _nobody(_said: str) -> None:
    """Hear what is told, and do nothing."""


@dataclass(frozen=True, slots=True)
class Patience:
    """How work is done again.

    Attributes:
        tell: is told in a sentence what waits, why, and for how long; empty: nothing any more.
        wait: waits so many seconds.

    """

    tell: Callable[[str], None] = _nobody
    wait: Callable[[float], None] = time.sleep

    def has_done(self, what: str, work: Callable[[], None]) -> bool:
        """Do a piece of work; return whether the database took it, at the last try at the latest.

        Args:
            what: what is done, the beginning of a sentence: ``Writing 26 Sep``.
            work: may be done again from its beginning; raises StorageError where it is refused.

        """
        for tries, wait_s in enumerate(WAITS_S, start=1):
            try:
                work()
            except StorageError as error:
                count = "once" if tries == 1 else f"{tries} times"
                self.tell(f"{what} waits: {error} Tried {count}, again in {wait_s} s.")
                self.wait(wait_s)
            else:
                return True
        try:
            work()
        except StorageError as error:
            self.tell(f"{what} is left out for now: {error}")
            return False
        return True

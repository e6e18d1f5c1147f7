"""Keeps what the Morning round says of days gone by, read once a minute for all tabs."""

from dataclasses import dataclass
from threading import Lock
from typing import Final

from tallymast.domain.health.nights import day_number
from tallymast.domain.local_times import local_time
from tallymast.domain.rounds import KeptRound
from tallymast.domain.zones import find_zone
from tallymast.routes.services import Services
from tallymast.storage import rounds
from tallymast.storage.rounds import Handover

KEPT_MS: Final = 60_000
HANDED_MS: Final = 36 * 3_600_000  # ours: what was said yesterday evening is read this morning


@dataclass(frozen=True, slots=True)
class Past:
    """The newest round kept before today, and what was handed over lately, newest first."""

    before: KeptRound | None = None
    handed: tuple[Handover, ...] = ()


class RoundPast:
    """The past a round is compared with, at most a minute old."""

    def __init__(self, given: Services) -> None:
        self._given = given
        self._lock = Lock()
        self._at_ms: int | None = None
        self._past = Past()

    def upto(self, now_ms: int) -> Past:
        """Return the past, read again where it is too old."""
        with self._lock:
            if self._at_ms is None or not 0 <= now_ms - self._at_ms < KEPT_MS:
                self._past, self._at_ms = self._read(now_ms), now_ms
            return self._past

    def forget(self) -> None:
        """Have it read again at the next look: something was handed over."""
        with self._lock:
            self._at_ms = None

    def _read(self, now_ms: int) -> Past:
        zone = find_zone(self._given.network().time_zone)
        today = day_number(local_time(now_ms, zone).date())
        with self._given.database.reading() as connection:
            return Past(
                rounds.newest_before(connection, today),
                tuple(rounds.handovers(connection, now_ms - HANDED_MS, now_ms + 1)),
            )

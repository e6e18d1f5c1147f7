"""Which permits there are, and how each stands: worked out once a minute for whoever looks.

A permit entered or ended is known with the next look; how it stands takes a month of hours of
all its points, which is not read every second.
"""

import logging
from collections.abc import Callable, Mapping
from typing import Final

from sqlalchemy import Connection

from tallymast.alarms.followed import Followed
from tallymast.domain.alarms.model import Alarm
from tallymast.domain.alarms.permitted import Permitted, permit_alarms
from tallymast.domain.errors import DecodeError, StorageError
from tallymast.domain.totals.permits import Permit
from tallymast.routes.services import NetworkView
from tallymast.routes.volumes_kept.places import points_of
from tallymast.storage import permits
from tallymast.storage.days import load_contract
from tallymast.storage.engine import Database

log = logging.getLogger(__name__)

EVERY_MS: Final = 60_000  # ours: volumes of closed hours change no faster

_Held = tuple[tuple[Permit, ...], tuple[Alarm, ...]]  # permits, and their alarms
_NONE: Final[_Held] = ((), ())


class Permits:
    """Knows the permits in force.

    Args:
        database: where they are kept.
        view: the network as it is now.
        now_ms: the wall clock.

    """

    def __init__(
        self, database: Database, view: Callable[[], NetworkView], now_ms: Callable[[], int]
    ) -> None:
        self._database, self._view, self._now_ms = database, view, now_ms
        self._permits = Followed(database, _in_force, _NONE, "permits are known")
        self._stand: dict[int, Permitted] = {}
        self._worked: tuple[int, tuple[Permit, ...] | None] = (0, None)  # when, and of which

    def alarms(self) -> tuple[Alarm, ...]:
        """Return the alarms of all permits; while the database refuses, as they were."""
        return self._permits.now()[1]

    def standings(self) -> Mapping[int, Permitted]:
        """Return how permits stand, at most a minute old."""
        (held, _), now_ms = self._permits.now(), self._now_ms()
        worked_ms, of_what = self._worked
        if of_what is held and 0 <= now_ms - worked_ms < EVERY_MS:
            return self._stand
        try:
            with self._database.reading() as conn:
                self._stand = self._worked_out(conn, held, now_ms)
            self._worked = now_ms, held
        except (StorageError, DecodeError) as error:
            log.warning("permits stand as they stood: %s", error)
        return self._stand

    def _worked_out(
        self, conn: Connection, held: tuple[Permit, ...], now_ms: int
    ) -> dict[int, Permitted]:
        if not held:
            return {}
        numbers = {number for one in held for number in one.point_ids}
        points, contract = points_of(conn, self._view(), numbers), load_contract(conn)
        return {
            one.id: Permitted(one, permits.standing(conn, one, points, contract, now_ms))
            for one in held
        }


def _in_force(conn: Connection) -> _Held:
    """Return the permits in force, and their alarms."""
    held = tuple(permits.in_force(conn))
    return held, permit_alarms(held)

"""Closes hours and nights beside polling."""

import logging
import threading
from collections.abc import Callable
from datetime import datetime

from tallymast import wall
from tallymast.domain.bearings import place_of
from tallymast.domain.errors import StorageError
from tallymast.domain.health.nights import day_number, day_of
from tallymast.domain.model import (
    PointKind,
    PollPlan,
)
from tallymast.domain.zones import find_zone
from tallymast.routes.services import (
    NetworkView,
)
from tallymast.storage import hours, nights
from tallymast.storage.engine import Database
from tallymast.storage.nights import NightSite

log = logging.getLogger(__name__)

NIGHTS_LOOKED_BACK = 30  # how many nights are looked for at the start
CLOSE_EVERY_S = 20.0  # Ours: an hour is closed at most this long after it may be


class HourCloser(threading.Thread):
    """Turns ended hours into chunks and rollups, and ended nights into rows, beside polling.

    Args:
        database: where they are kept.
        view: the network as it is now, for its sites and its time zone.

    """

    def __init__(self, database: Database, view: Callable[[], NetworkView]) -> None:
        super().__init__(name="judge", daemon=True)
        self._database = database
        self._view = view
        self._seen: NetworkView | None = None  # by which nights were computed last
        self.damage = ""  # what the first look at the file found, in a sentence
        self._ended = threading.Event()

    def run(self) -> None:
        """Look whether the file is whole, then close what can be closed, every few seconds."""
        self._look()
        while True:
            try:
                self.close()
            except StorageError as error:
                log.warning("closing hours waits: %s", error)
            if self._ended.wait(CLOSE_EVERY_S):
                return

    def close(self) -> None:
        """Close the hours that are over, and compute the nights that are missing.

        Where the network has changed, nights are looked for far back: a site, or its place, may
        be new.
        """
        closed = hours.close_hours(self._database, wall.now_ms(), stop=self._ended.is_set)
        view, before = self._view(), self._seen
        moved = before is not None and before.time_zone != view.time_zone
        look_back = 1 if view is before else NIGHTS_LOOKED_BACK
        self._close_nights(view, look_back, again=closed > 0 or moved)
        self._seen = view

    def _close_nights(self, view: NetworkView, look_back: int, *, again: bool) -> None:
        """Compute the nights that are missing, and the last two again after hours were closed."""
        zone = find_zone(view.time_zone)
        today = datetime.fromtimestamp(wall.now_ms() / 1000, zone).date()
        first = day_number(today) - look_back
        with self._database.reading() as connection:
            known = nights.known_days(connection, first)
        for site in night_sites(view):
            if self._ended.is_set():
                return
            fresh = set() if again else known.get(site.site_id, set())
            have = known.get(site.site_id, set()) & set(range(first, day_number(today) - 1)) | fresh
            wanted = [day for day in range(first, day_number(today) + 1) if day not in have]
            days = [day_of(day) for day in wanted]
            nights.compute_nights(self._database, [site], days, zone, wall.now_ms())

    def _look(self) -> None:
        try:
            damage = self._database.quick_check()
        except StorageError as error:
            damage = str(error)
        if damage:
            log.error("the database is damaged, restore a backup: %s", damage)
            self.damage = (
                f"The database is damaged ({damage}). End Tallymast and restore the newest "
                "backup (tallymast restore FILE); the damaged file is kept beside it."
            )

    def stop(self) -> None:
        """End after the hour in hand."""
        self._ended.set()
        self.join()


def night_sites(plan: PollPlan | NetworkView) -> list[NightSite]:
    """Return the sites whose supply is watched, with where the sun rises for them."""
    found = []
    for gateway in plan.gateways:
        for site in gateway.sites:
            point = site.site.point_of(PointKind.SUPPLY_VOLTAGE)
            place = place_of(gateway.gateway, site.site)
            if point is not None and place is not None:
                found.append(NightSite(site.site_id, point.tag, *place))
    return found

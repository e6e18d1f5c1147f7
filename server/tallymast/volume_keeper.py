"""Keeps volumes by hour, beside the closer of hours: what it closed, and what it closed again."""

import logging
import threading
import time
from collections.abc import Callable
from typing import Final

from tallymast.domain.errors import DecodeError, StorageError
from tallymast.domain.model import Gateway, SitePlan
from tallymast.routes.services import NetworkView
from tallymast.steady import Steady
from tallymast.storage import volume_keeping
from tallymast.storage.engine import Database

log = logging.getLogger(__name__)

EVERY_S: Final = 20.0  # ours: as often as hours are closed
_PAUSE_S: Final = 0.02  # ours: between two sites at least; as long as the last one took else


class VolumeKeeper(threading.Thread):
    """Computes the volumes of closed hours, a site and at most a day at a time.

    Args:
        database: where they are kept.
        view: the network as it is now.
        now_ms: the wall clock.
        pause_s: how long it rests between two sites at least; 0: not at all.

    """

    def __init__(
        self,
        database: Database,
        view: Callable[[], NetworkView],
        now_ms: Callable[[], int],
        pause_s: float = _PAUSE_S,
    ) -> None:
        super().__init__(name="volumes", daemon=True)
        self._database = database
        self._view = view
        self._now_ms = now_ms
        self._pause_s = pause_s
        self._seen: NetworkView | None = None  # whose counting rules were looked at last
        self._ended = threading.Event()
        self.steady = Steady("volumes", now_ms)

    def run(self) -> None:
        """Look every few seconds; what a bug breaks is tried again."""
        while True:
            try:
                self.steady.take(self.look)
            except StorageError as error:
                log.warning("volumes wait: %s", error)
            if self._ended.wait(EVERY_S):
                return

    def look(self) -> int:
        """Compute everything that is due; return how many sites' spans were computed.

        Raises:
            StorageError: the database refused; what is computed stays.

        """
        view, computed = self._view(), 0
        sites = _sites(view)
        if view is not self._seen:
            volume_keeping.begin(self._database, sites.values(), self._now_ms())
            self._seen = view
        failed: set[int] = set()
        while work := [one for one in self._due() if one.site_id not in failed]:
            for one in work:
                if self._ended.is_set():
                    return computed
                if one.site_id in failed:
                    continue
                begun_s = time.monotonic()
                try:
                    site = sites.get(one.site_id)
                    volume_keeping.compute(self._database, one, site, self._now_ms())
                    computed += 1
                except DecodeError as error:
                    failed.add(one.site_id)
                    log.error("volumes not computed site=%d: %s", one.site_id, error)
                took_s = time.monotonic() - begun_s
                self._ended.wait(max(self._pause_s, took_s) if self._pause_s else 0.0)
        return computed

    def stop(self) -> None:
        """End after the site in hand."""
        self._ended.set()
        self.join()

    def _due(self) -> list[volume_keeping.Due]:
        with self._database.reading() as conn:
            return volume_keeping.due(conn, self._now_ms())


def _sites(view: NetworkView) -> dict[int, tuple[Gateway, SitePlan]]:
    return {
        plan.site_id: (gateway.gateway, plan)
        for gateway in view.gateways_with_retired()
        for plan in gateway.sites
    }

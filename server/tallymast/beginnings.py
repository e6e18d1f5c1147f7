"""Finds out since when points are as they are: once for each finding, as long as it lasts."""

from collections.abc import Callable, Iterable, Mapping
from typing import Final

from tallymast.domain.health.attention import Standing
from tallymast.domain.health.findings import OfPoint
from tallymast.domain.health.since import Since, holds_of
from tallymast.domain.model import SitePlan
from tallymast.routes.services import LiveView, NetworkView
from tallymast.routes.standings import standing_of
from tallymast.storage.engine import Database
from tallymast.storage.since import since

AGAIN_MS: Final = 120_000


class Beginnings:
    """Since when each finding about a point holds, by its key.

    Args:
        database: the record.
        live: the newest states.
        view: the network as it is now.

    """

    def __init__(self, database: Database, live: LiveView, view: Callable[[], NetworkView]) -> None:
        self._database = database
        self._live = live
        self._view = view
        self._again_ms: int | None = None
        self.known: Mapping[str, Since] = {}

    def look(self, now_ms: int, standings: Iterable[Standing] | None = None) -> None:
        """Look for findings that are new since the last look; forget those that are over.

        Args:
            now_ms: the instant, UTC milliseconds.
            standings: how every site stands then; None: they are judged here.

        Raises:
            StorageError: the database refused; what is known stays.

        """
        found = {}
        if standings is None:
            standings = newest_standings(self._live, self._view(), now_ms).values()
        for plan, finding in _of_points(standings):
            known = self.known.get(finding.key)
            if known is None or (known.at_ms is None and self._is_due(now_ms)):
                known = self._since(plan, finding, now_ms)
            found[finding.key] = known
        if self._is_due(now_ms):
            self._again_ms = now_ms
        self.known = found

    def _is_due(self, now_ms: int) -> bool:
        """Whether beginnings that were not found are looked for again: older days may be there."""
        return self._again_ms is None or not 0 <= now_ms - self._again_ms < AGAIN_MS

    def _since(self, plan: SitePlan, finding: OfPoint, now_ms: int) -> Since:
        holds = holds_of(finding)
        if holds is None:
            return Since(None)
        with self._database.reading() as connection:
            return since(connection, plan.site_id, finding.point.tag, holds, now_ms)


def newest_standings(live: LiveView, view: NetworkView, now_ms: int) -> dict[int, Standing]:
    """Return how every site stands by its newest state, by site id."""
    states, gateways = live.sites(), live.gateways()
    return {
        plan.site_id: standing_of(gateway, plan, states.get(plan.site_id), gateways, now_ms)
        for gateway in view.gateways
        for plan in gateway.sites
    }


def _of_points(standings: Iterable[Standing]) -> list[tuple[SitePlan, OfPoint]]:
    return [
        (one.plan, finding)
        for one in standings
        for finding in one.findings
        if isinstance(finding, OfPoint)
    ]

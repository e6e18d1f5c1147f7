"""Finds out since when points are as they are: once for each finding, as long as it lasts."""

from collections.abc import Callable, Mapping

from tallymast.domain.health.findings import OfPoint
from tallymast.domain.health.since import Since, holds_of
from tallymast.domain.model import SitePlan
from tallymast.routes.services import LiveView, NetworkView
from tallymast.routes.standings import standing_of
from tallymast.storage.engine import Database
from tallymast.storage.since import since


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
        self.known: Mapping[str, Since] = {}

    def look(self, now_ms: int) -> None:
        """Look for findings that are new since the last look; forget those that are over.

        Raises:
            StorageError: the database refused; what is known stays.

        """
        found = {}
        for plan, finding in self._findings(now_ms):
            known = self.known.get(finding.key)
            found[finding.key] = known or self._since(plan, finding, now_ms)
        self.known = found

    def _findings(self, now_ms: int) -> list[tuple[SitePlan, OfPoint]]:
        states, gateways = self._live.sites(), self._live.gateways()
        return [
            (plan, finding)
            for gateway in self._view().gateways
            for plan in gateway.sites
            for finding in standing_of(
                gateway, plan, states.get(plan.site_id), gateways, now_ms
            ).findings
            if isinstance(finding, OfPoint)
        ]

    def _since(self, plan: SitePlan, finding: OfPoint, now_ms: int) -> Since:
        holds = holds_of(finding)
        if holds is None:
            return Since(None)
        with self._database.reading() as connection:
            return since(connection, plan.site_id, finding.point.tag, holds, now_ms)

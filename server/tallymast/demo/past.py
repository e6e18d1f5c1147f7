"""What the demo's pages would have been handed at an instant of its past."""

from dataclasses import dataclass
from importlib.metadata import version

from tallymast.beginnings import Beginnings, newest_standings
from tallymast.demo import demonstration
from tallymast.demo.demonstration import Scene
from tallymast.domain.health.diagnosis.diagnose import diagnose
from tallymast.domain.health.diagnosis.model import Diagnosis
from tallymast.domain.model import GatewayState, GatewayStatus
from tallymast.judging import evidence, judge
from tallymast.live import Live
from tallymast.routes.services import NetworkView, PollerCondition, Services
from tallymast.storage.engine import Database
from tallymast.storage.writer import StorageStatus


@dataclass(frozen=True)
class AsOf:
    """An instant of the past: what is handed to pages, and the causes named then."""

    services: Services
    causes: tuple[Diagnosis, ...]


def as_of(database: Database, shown: Scene, at_ms: int) -> AsOf:
    """Return what there was to see at an instant; the days before have to be written already."""
    view = NetworkView(shown.network, shown.plan)
    live = Live()
    live.publish_sites(demonstration.states_at(shown, at_ms))
    for gateway in shown.plan.gateways:
        live.publish_gateway(GatewayState(gateway.gateway_id, GatewayStatus.CONNECTED, at_ms))
    judged = judge(database, view, at_ms)
    beginnings = Beginnings(database, live, lambda: view)
    standings = newest_standings(live, view, at_ms)
    beginnings.look(at_ms, standings.values())
    causes = diagnose(evidence(view, live, standings, judged, at_ms))
    given = Services(
        database=database,
        live=live,
        network=lambda: view,
        now_ms=lambda: at_ms,
        version=version("tallymast"),
        storage_condition=lambda: StorageStatus("ok", 0, 0, 0),
        poller_condition=lambda: PollerCondition("polling"),
        health=lambda: judged.sites,
        losses=lambda: judged.losses,
        causes=lambda: causes,
        judged_ms=lambda: judged.at_ms,
        began=lambda: beginnings.known,
    )
    return AsOf(given, causes)

"""Gives the demo the rounds of its last days: each as it would have been said that morning."""

from collections.abc import Iterator
from datetime import datetime, time, timedelta
from importlib.metadata import version

from tallymast import demonstration
from tallymast.beginnings import Beginnings, newest_standings
from tallymast.demonstration import Scene
from tallymast.domain.health.diagnosis.diagnose import diagnose
from tallymast.domain.health.nights import day_number
from tallymast.domain.model import GatewayState, GatewayStatus
from tallymast.domain.rounds import KEPT_AT_MINUTE
from tallymast.domain.zones import find_zone
from tallymast.judging import evidence, judge
from tallymast.live import Live
from tallymast.routes.app import create_app
from tallymast.routes.round_words import round_to_keep
from tallymast.routes.services import NetworkView, PollerCondition, Services
from tallymast.storage import rounds
from tallymast.storage.engine import Database
from tallymast.storage.writer import StorageStatus

DAYS = 6


def keep_rounds(database: Database, shown: Scene, days: int = DAYS) -> Iterator[int]:
    """Keep the rounds of the last days before the demo's own, yielding each day as it is kept.

    The days before have to be written already. A round that is there stays as it is.
    """
    zone = find_zone(shown.world.network.time_zone)
    first = datetime.fromtimestamp(shown.begun_ms / 1000, zone).date()
    at_seven = time(*divmod(KEPT_AT_MINUTE, 60))
    for back in range(days, 0, -1):
        day = first - timedelta(days=back)
        at_ms = round(datetime.combine(day, at_seven, zone).timestamp() * 1000)
        given = _services(database, shown, at_ms)
        said = round_to_keep(create_app(given), given, day_number(day))
        if said is not None:
            with database.writing() as connection:
                rounds.keep(connection, said)
        yield day_number(day)


def _services(database: Database, shown: Scene, at_ms: int) -> Services:
    """Return what the pages would have been handed at an instant of the past."""
    view = NetworkView(shown.world.network, shown.plan)
    live = Live()
    live.publish_sites(demonstration.states_at(shown, at_ms))
    for gateway in shown.plan.gateways:
        live.publish_gateway(GatewayState(gateway.gateway_id, GatewayStatus.CONNECTED, at_ms))
    judged = judge(database, view, at_ms)
    beginnings = Beginnings(database, live, lambda: view)
    standings = newest_standings(live, view, at_ms)
    beginnings.look(at_ms, standings.values())
    causes = diagnose(evidence(view, live, standings, judged, at_ms))
    return Services(
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

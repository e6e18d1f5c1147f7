"""Makes the plan anew when the network changes, or what people say of a site."""

import logging
import threading
from collections.abc import Mapping, Sequence

from sqlalchemy import Connection

from tallymast import wall
from tallymast.domain.errors import ConfigError, StorageError
from tallymast.live import Live
from tallymast.networks import load_network
from tallymast.polling.thread import PollThread
from tallymast.routes.services import (
    NetworkView,
)
from tallymast.seasons import Seasons
from tallymast.storage import episodes, refused_points, states, wire
from tallymast.storage import network as stored_network
from tallymast.storage.engine import Database
from tallymast.storage.episodes import Episode
from tallymast.upward import Upward

log = logging.getLogger(__name__)

LOOK_FOR_PLAN_S = 0.5  # how soon a change of the network is polled by


class PlanWatch(threading.Thread):
    """Makes the plan anew when the network, or what people said of a site, has changed.

    The pages see it at once; the poller swaps it between two exchanges. What is in the network no
    more is forgotten among the newest states; what comes back is remembered.
    """

    def __init__(
        self,
        database: Database,
        addresses: Mapping[str, str],
        shown: list[NetworkView],
        live: Live,
        poll: PollThread | None = None,
        upward: Upward | None = None,
    ) -> None:
        super().__init__(name="plan", daemon=True)
        self._database = database
        self._addresses = addresses
        self._shown = shown
        self._live = live
        self._poll = poll
        self._upward = upward
        self._ended = threading.Event()
        self._seasons = Seasons(database)
        _, _, self._known = self._read()

    def run(self) -> None:
        """Look twice a second until stopped."""
        while not self._ended.wait(LOOK_FOR_PLAN_S):
            try:
                self.look()
            except (StorageError, ConfigError) as error:
                log.warning("the plan stays as it was: %s", error)

    def stop(self) -> None:
        """End."""
        self._ended.set()
        self.join()

    def look(self) -> None:
        """Look once.

        Raises:
            StorageError, ConfigError: the network cannot be read; the plan stays as it was.

        """
        if self._upward is not None:
            self._seasons.look(wall.now_ms())
            self._store(self._upward)
        acts, watched, found = self._read()
        if self._upward is not None:
            if self._end_acts(acts):
                acts, watched, found = self._read()
            self._watch(watched)
        if found != self._known:
            self._change()
            self._known = found
        forget_others(self._live, self._shown[0])

    def _change(self) -> None:
        network, plan = load_network(self._database, self._addresses)
        view = NetworkView(network, plan)
        self._remember(view)
        self._shown[0] = view
        if self._poll is not None:
            self._poll.revise(plan)

    def _remember(self, view: NetworkView) -> None:
        """Show again what is stored of sites that are back."""
        missing = {plan.site_id for plan in view.sites} - self._live.sites().keys()
        if missing:
            with self._database.reading() as connection:
                stored = states.load_site_states(connection)
            self._live.publish_sites(stored[key] for key in missing & stored.keys())

    def _store(self, upward: Upward) -> None:
        """Store what stations refused and what was heard on watched lines."""
        refusals, lines = upward.take_refused(), upward.take_lines()
        if refusals or lines:
            with self._database.writing() as connection:
                for refusal in refusals:
                    refused_points.keep(connection, refusal)
                wire.store(connection, lines)

    def _watch(self, watched: Mapping[int, int]) -> None:
        """Have lines watched that people look at, until an instant [UTC ms]."""
        for gateway_id, until_ms in watched.items():
            if self._poll is not None and until_ms > wall.now_ms():
                self._poll.watch(gateway_id, until_ms)

    def _read(self) -> tuple[Sequence[Episode], Mapping[int, int], tuple[object, ...]]:
        """Return what people said of sites, the watched lines, and what the plan is made of."""
        with self._database.reading() as connection:
            acts = episodes.open_acts(connection)
            return acts, wire.watched(connection), _fingerprint(connection, acts)

    def _end_acts(self, acts: Sequence[Episode]) -> bool:
        """End what was planned to end by now; return whether anything was."""
        at_ms = wall.now_ms()
        over = [
            one for one in acts if one.planned_end_ms is not None and one.planned_end_ms <= at_ms
        ]
        for one in over:
            with self._database.writing() as connection:
                episodes.close_episode(
                    connection, one.kind, to_ms=one.planned_end_ms or at_ms, site_id=one.site_id
                )
        return bool(over)


def forget_others(live: Live, view: NetworkView) -> None:
    """Drop the newest states of what is not in the network."""
    sites = live.sites().keys() - {plan.site_id for plan in view.sites}
    gateways = live.gateways().keys() - {one.gateway_id for one in view.gateways}
    if sites or gateways:
        live.forget(sites, gateways)


def _fingerprint(connection: Connection, acts: Sequence[Episode]) -> tuple[object, ...]:
    """Return what the plan is made of, in short: equal ones make equal plans."""
    said = tuple((one.kind, one.site_id) for one in acts)
    refused = tuple(sorted(refused_points.load(connection, wall.now_ms()).items()))
    return (stored_network.revision(connection), said, refused)

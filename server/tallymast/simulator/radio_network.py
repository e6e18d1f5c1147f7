"""The whole simulated network: one listening port a gateway, real frames on real sockets."""

import time
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Self

import numpy as np

from tallymast.domain.model import Gateway, Network, Site
from tallymast.simulator.channel import Channel
from tallymast.simulator.exchange import RemoteSite, Responder
from tallymast.simulator.faults import Faults
from tallymast.simulator.radio_path import STEADY, Radio, RadioPath
from tallymast.simulator.site_model import SiteModel
from tallymast.simulator.stations import Station
from tallymast.simulator.truth import Truth


class RadioNetwork:
    """A network to poll, on this machine.

    Args:
        network: its gateways and sites; every in-service and out-of-service site answers.
        seed: the same seed shows the same values at the same instants.
        faults: ordered troubles.
        truth: where every station's answers are told.
        radio: how lively the radio is; STEADY adds nothing to wire and turnaround.
        host: where to listen.
        ports: port by gateway key; a gateway not named takes any free port.
        sessions: TCP sessions a gateway serves at once; one more is refused.
        now_s: the wall clock [s since 1970 UTC].

    """

    def __init__(
        self,
        network: Network,
        seed: int = 1,
        *,
        faults: Faults | None = None,
        truth: Truth | None = None,
        radio: Radio = STEADY,
        host: str = "127.0.0.1",
        ports: Mapping[str, int] | None = None,
        sessions: int = 4,
        now_s: Callable[[], float] = time.time,
    ) -> None:
        self.network = network
        self.seed = seed
        self.faults = faults or Faults()
        self.truth = truth or Truth()
        self._radio = radio
        self._host = host
        self._ports = ports or {}
        self._sessions = sessions
        self._now_s = now_s
        self._channels: list[Channel] = []
        self._models: dict[str, SiteModel] = {}
        self._stations: dict[str, Station] = {}

    def station(self, key: str) -> Station:
        """Return the station of a site; it is there once the network was started."""
        return self._stations[key]

    def start(self) -> dict[str, tuple[str, int]]:
        """Open every gateway's port and serve; return host and port by gateway key.

        Raises:
            ConfigError: a port cannot be opened; none is left open then.

        """
        try:
            for gateway in self.network.gateways:
                self._channels.append(self._channel(gateway))
        except BaseException:
            self.stop()
            raise
        for channel in self._channels:
            channel.start()
        return {channel.gateway.key: channel.address for channel in self._channels}

    def stop(self) -> None:
        """Close every port and session and wait for the threads."""
        for channel in self._channels:
            channel.stop()
        self._channels.clear()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def _channel(self, gateway: Gateway) -> Channel:
        sites = {
            site.unit: self._remote(site)
            for site in self.network.sites
            if site.gateway == gateway.key
        }
        return Channel(
            gateway,
            Responder(gateway.key, sites, self.faults, self.truth, self.seed),
            host=self._host,
            port=self._ports.get(gateway.key, 0),
            sessions=self._sessions,
            is_down=lambda at_ms: bool(self.faults.is_down(gateway.key, np.array([at_ms]))[0]),
            now_s=self._now_s,
        )

    def _remote(self, site: Site) -> RemoteSite:
        carriers = repeaters(self.network, site)
        models = tuple(self._model(one) for one in (site, *carriers))
        path = RadioPath(self._radio, site, len(carriers), self.seed)
        self._stations[site.key] = Station(site, models[0])
        return RemoteSite(site, self._stations[site.key], path, carriers, models)

    def _model(self, site: Site) -> SiteModel:
        if site.key not in self._models:
            self._models[site.key] = SiteModel(self.network, site, self.seed, self.faults)
        return self._models[site.key]


def repeaters(network: Network, site: Site) -> tuple[Site, ...]:
    """Return the sites that carry a site, the nearest to it first."""
    by_key = {other.key: other for other in network.sites}
    carriers: list[Site] = []
    while site.via is not None and len(carriers) < len(by_key):
        site = by_key[site.via]
        carriers.append(site)
    return tuple(carriers)

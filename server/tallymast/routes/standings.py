"""Keeps how every site stands, judged again only where something changed or time went on."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from threading import RLock
from typing import Annotated

from fastapi import Depends, Request

from tallymast.domain.health.attention import Standing, stale_after_ms, stands
from tallymast.domain.model import (
    GatewayPlan,
    GatewayState,
    PollClass,
    Reading,
    SiteLayout,
    SitePlan,
    SiteState,
)
from tallymast.domain.readings import readings
from tallymast.routes.services import NetworkView, Services


def site_readings(
    gateway: GatewayPlan, plan: SitePlan, state: SiteState | None, now_ms: int
) -> tuple[Reading, ...]:
    """Return a site's readings; values that are read seldom may be older before they are stale.

    Words read by an older layout are not understood by this one: there are no readings until
    the next poll.
    """
    if state is None or state.layout_id != plan.layout.id:
        return ()
    fast = stale_after_ms(plan.site)
    slow = max(fast, round(3000 * gateway.gateway.slow_every_s))
    spans = {PollClass.FAST: fast, PollClass.SLOW: slow}
    return tuple(
        reading
        for poll, span in spans.items()
        for reading in readings(
            _part(plan.layout, poll),
            state.block_words,
            state.block_ms,
            state.suspect_blocks,
            now_ms,
            span,
        )
    )


def _part(layout: SiteLayout, poll: PollClass) -> SiteLayout:
    points = tuple(point for point in layout.points if layout.blocks[point.block].poll is poll)
    return replace(layout, points=points)


class Standings:
    """How every site stands, by site id."""

    def __init__(self, given: Services) -> None:
        self._given = given
        self._lock = RLock()
        self._version = -1
        self._view: NetworkView | None = None
        self._at_ms = 0
        self._standings: dict[int, Standing] = {}

    @property
    def judged_ms(self) -> int:
        """When all standings were judged together last."""
        return self._at_ms

    def now(self, every_ms: int = 0) -> Mapping[int, Standing]:
        """Return all standings; those of unchanged sites may be ``every_ms`` old."""
        with self._lock:
            network, now_ms = self._given.network(), self._given.now_ms()
            old = not 0 <= now_ms - self._at_ms <= every_ms or self._version < 0
            changes = self._given.live.changes_since(self._version)
            if old or network is not self._view:
                self._judge(network, {site.site_id for site in network.sites}, now_ms)
                self._at_ms, self._view = now_ms, network
            else:
                behind = _behind(network, changes.gateways)
                self._judge(network, changes.sites | behind, now_ms)
            self._version = changes.version
            return dict(self._standings)

    def _judge(self, network: NetworkView, site_ids: Iterable[int], now_ms: int) -> None:
        wanted = frozenset(site_ids)
        states, gateways = self._given.live.sites(), self._given.live.gateways()
        known = {site.site_id for site in network.sites}
        for gone in self._standings.keys() - known:
            del self._standings[gone]
        for gateway in network.gateways:
            for plan in gateway.sites:
                if plan.site_id in wanted:
                    self._standings[plan.site_id] = standing_of(
                        gateway, plan, states.get(plan.site_id), gateways, now_ms
                    )


def standing_of(
    gateway: GatewayPlan,
    plan: SitePlan,
    state: SiteState | None,
    gateway_states: Mapping[int, GatewayState],
    now_ms: int,
) -> Standing:
    """Return how one site stands."""
    return stands(
        plan,
        state,
        gateway_states.get(gateway.gateway_id),
        site_readings(gateway, plan, state, now_ms),
        now_ms,
    )


def _behind(network: NetworkView, gateway_ids: frozenset[int]) -> frozenset[int]:
    return frozenset(
        plan.site_id
        for gateway in network.gateways
        if gateway.gateway_id in gateway_ids
        for plan in gateway.sites
    )


def shared_standings(request: Request) -> Standings:
    """Return how the application's sites stand."""
    found = request.app.state.standings
    assert isinstance(found, Standings)
    return found


TheStandings = Annotated[Standings, Depends(shared_standings)]

"""Keeps how every site stands, judged again only where something changed or time went on."""

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from threading import RLock
from typing import Annotated, Protocol

from fastapi import Depends, Request

from tallymast.domain.health.attention import Standing, late_after_ms, stale_after_ms, stands
from tallymast.domain.model import (
    GatewayPlan,
    GatewayState,
    GatewayStatus,
    PollClass,
    Reading,
    SitePlan,
    SiteState,
)
from tallymast.domain.readings import readings
from tallymast.routes.services import LiveView, NetworkView


def site_readings(
    gateway: GatewayPlan, plan: SitePlan, state: SiteState | None, now_ms: int
) -> tuple[Reading, ...]:
    """Return a site's readings; values that are read seldom may be older before they are stale.

    Words read by an older layout are not understood by this one: there are no readings until
    the next poll.
    """
    if state is None or state.layout_id != plan.layout.id:
        return ()
    return readings(
        plan.layout,
        state.block_words,
        state.block_ms,
        state.suspect_blocks,
        now_ms,
        stale_spans(gateway, plan),
    )


def stale_spans(gateway: GatewayPlan, plan: SitePlan) -> dict[PollClass, int]:
    """Return after which time a site's values are stale, by how often they are read [ms]."""
    fast = stale_after_ms(plan.site)
    slow = max(fast, round(3000 * gateway.gateway.slow_every_s))
    return {PollClass.FAST: fast, PollClass.SLOW: slow}


def holds_until_ms(
    gateway: GatewayPlan, plan: SitePlan, state: SiteState | None, now_ms: int
) -> float:
    """Return until when a site judged now stands the same unless something new comes [UTC ms].

    Time alone makes a value stale and a poll overdue. Where one is already, its age is part of
    what is said, and the judgement holds for this instant alone.
    """
    if state is None:
        return math.inf
    spans = stale_spans(gateway, plan)
    ends: list[float] = [
        at_ms + spans[block.poll]
        for block, at_ms in zip(plan.layout.blocks, state.block_ms, strict=False)
        if at_ms is not None
    ]
    if state.last_poll_ms is not None:
        ends.append(state.last_poll_ms + late_after_ms(plan.site))
    return max(min(ends, default=math.inf), now_ms)


@dataclass(frozen=True, slots=True)
class _Judged:
    """A standing, what it was made of, and how long it holds."""

    standing: Standing
    gateway: GatewayStatus | None
    from_ms: int
    until_ms: float

    def holds(
        self,
        plan: SitePlan,
        state: SiteState | None,
        gateway: GatewayStatus | None,
        now_ms: int,
    ) -> bool:
        """Whether judging again would give the same."""
        return (
            self.standing.state is state
            and self.standing.plan is plan
            and self.gateway is gateway
            and self.from_ms <= now_ms <= self.until_ms
        )


class Watched(Protocol):
    """What standings are judged from: the newest states, the network and the clock."""

    @property
    def live(self) -> LiveView:
        """The newest that is known."""

    @property
    def network(self) -> Callable[[], NetworkView]:
        """The network as it is now."""

    @property
    def now_ms(self) -> Callable[[], int]:
        """The wall clock."""


class Standings:
    """How every site stands, by site id; a standing is the same object while it holds."""

    def __init__(self, given: Watched) -> None:
        self._given = given
        self._lock = RLock()
        self._version = -1
        self._view: NetworkView | None = None
        self._at_ms = 0
        self._judged: dict[int, _Judged] = {}

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
                if network is not self._view:
                    self._judged.clear()  # plans and gateways are others
                self._judge(network, None, now_ms)
                self._at_ms, self._view = now_ms, network
            else:
                behind = _behind(network, changes.gateways)
                self._judge(network, changes.sites | behind, now_ms)
            self._version = changes.version
            return {key: judged.standing for key, judged in self._judged.items()}

    def _judge(self, network: NetworkView, wanted: Collection[int] | None, now_ms: int) -> None:
        """Judge the sites that are wanted (None: all), where the last judgement holds no more."""
        states, gateways = self._given.live.sites(), self._given.live.gateways()
        for gateway in network.gateways:
            behind = gateways.get(gateway.gateway_id)
            status = behind.status if behind is not None else None
            for plan in gateway.sites:
                key = plan.site_id
                if wanted is not None and key not in wanted:
                    continue
                state, judged = states.get(key), self._judged.get(key)
                if judged is None or not judged.holds(plan, state, status, now_ms):
                    standing = standing_of(gateway, plan, state, gateways, now_ms)
                    until_ms = holds_until_ms(gateway, plan, state, now_ms)
                    self._judged[key] = _Judged(standing, status, now_ms, until_ms)


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

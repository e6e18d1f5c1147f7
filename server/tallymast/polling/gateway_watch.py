"""Says how a gateway is doing: connected, unreachable, mute; how full; and what a person may do."""

import asyncio
from dataclasses import replace

from tallymast.domain.model import GatewayPlan, GatewayState, GatewayStatus
from tallymast.domain.pacing import Pace
from tallymast.polling.exchange import Exchanger
from tallymast.polling.ports import Clock, Outlet

TELL_EVERY_S = 1.0
STRANGERS_LEAST, STRANGERS_HOLD_S = 3, 600.0  # Ours: one or two may be left from before
MUTE_AFTER_SITES = 3  # Ours: so many different sites silent, and not one answer since connecting


class GatewayWatch:
    """Keeps a gateway's state and hands it up when it changes, else once a second."""

    def __init__(
        self, plan: GatewayPlan, exchanger: Exchanger, outlet: Outlet, clock: Clock
    ) -> None:
        self._plan = plan
        self._exchanger = exchanger
        self._outlet = outlet
        self._clock = clock
        self._state = GatewayState(plan.gateway_id, GatewayStatus.STARTING, clock.wall_ms())
        self._told_at = float("-inf")
        self._silent: set[int] = set()
        self._visited: dict[int, tuple[float, float]] = {}  # site: last visit, gap before it
        self._outage_ms: int | None = None
        self._strangers, self._stranger_at = 0, float("-inf")
        self._cycles: dict[int, tuple[float, float]] = {}  # by hour of the loop's clock

    def revise(self, plan: GatewayPlan) -> None:
        """Judge by another plan of the same gateway."""
        self._plan = plan
        known = {one.site_id for one in plan.sites if one.is_polled}
        self._silent &= known
        self._visited = {key: seen for key, seen in self._visited.items() if key in known}

    @property
    def status(self) -> GatewayStatus:
        """The newest status."""
        return self._state.status

    @property
    def sentence(self) -> str:
        """What is wrong, for people; empty when nothing is."""
        return self._state.sentence

    def connected(self) -> None:
        """Take note that the gateway accepted a connection."""
        self._silent.clear()
        self._visited.clear()
        self._become(GatewayStatus.CONNECTED, "")
        if self._outage_ms is not None:
            self._outlet.episode(
                "gateway",
                self._plan.gateway_id,
                None,
                self._outage_ms,
                self._clock.wall_ms(),
                f"{self._plan.gateway.name} could not be reached.",
            )
            self._outage_ms = None

    def lost(self, reason: str) -> None:
        """Take note that the gateway cannot be reached."""
        if self._outage_ms is None:
            self._outage_ms = self._clock.wall_ms()
            self._outlet.episode(
                "gateway", self._plan.gateway_id, None, self._outage_ms, None, reason
            )
        self._become(GatewayStatus.UNREACHABLE, reason)

    def silent(self, site_id: int) -> None:
        """Take note that a site did not answer."""
        self._silent.add(site_id)

    def visited(self, site_id: int) -> None:
        """Take note that a site's visit is over."""
        now = asyncio.get_running_loop().time()
        last = self._visited.get(site_id)
        self._visited[site_id] = (now, now - last[0] if last else 0.0)

    def tell(self, pace: Pace) -> None:
        """Hand the state up if a second has passed or the status is another one."""
        now = asyncio.get_running_loop().time()
        status, sentence = self._judged()
        if status is self._state.status and now < self._told_at + TELL_EVERY_S:
            return
        self._told_at = now
        cycle_s = max((gap for _, gap in self._visited.values() if gap), default=None)
        self._state = replace(
            self._state,
            cycle_s=cycle_s,
            cycle_day_s=self._of_the_day(cycle_s, now),
            airtime_used=pace.use.used(now),
            exchanges=self._exchanger.exchanges,
            lateness_s=self._exchanger.debts.worst_lateness,
            quarantine_s=self._exchanger.debts.quarantine_s,
            busy_s={str(purpose): busy for purpose, busy in pace.use.total_s.items()},
            holds_s=pace.holds_s,
            load=pace.load,
            even_s=pace.even_s,
            cost_s=pace.usual_cost_s,
            site_share=pace.use.by_site(now),
            strangers=self._exchanger.debts.strangers,
        )
        self._become(status, sentence)

    def _of_the_day(self, cycle_s: float | None, now: float) -> tuple[float, float] | None:
        """Return the shortest and the longest cycle of the last 24 hours, kept by the hour."""
        if cycle_s is not None:
            hour = int(now // 3600)
            least, most = self._cycles.get(hour, (cycle_s, cycle_s))
            self._cycles[hour] = (min(least, cycle_s), max(most, cycle_s))
            for old in [one for one in self._cycles if one <= hour - 24]:
                del self._cycles[old]
        if not self._cycles:
            return None
        spans = self._cycles.values()
        return round(min(one for one, _ in spans), 2), round(max(one for _, one in spans), 2)

    def _judged(self) -> tuple[GatewayStatus, str]:
        enough = max(1, min(MUTE_AFTER_SITES, len(self._plan.sites)))
        if not self._exchanger.answers_since_connect and len(self._silent) >= enough:
            return GatewayStatus.MUTE, (
                f"{self._plan.gateway.name} accepts the connection, but nothing behind it "
                "answers: an old session may hold the port (set its keep-alive to 30 to 60 s), "
                "baud or parity may be wrong, or the radio there is off."
            )
        return GatewayStatus.CONNECTED, self._exchanger.echo_sentence or self._stranger_sentence()

    def _stranger_sentence(self) -> str:
        """What is wrong while answers come that nobody here asked for; empty otherwise."""
        now, seen = asyncio.get_running_loop().time(), self._exchanger.debts.strangers
        if seen > self._strangers:
            self._strangers, self._stranger_at = seen, now
        if seen < STRANGERS_LEAST or now > self._stranger_at + STRANGERS_HOLD_S:
            return ""
        return (
            f"{self._plan.gateway.name}: answers come that nobody here has asked for; somebody "
            "else polls through the same gateway. Two masters on one channel spoil each other."
        )

    def _become(self, status: GatewayStatus, sentence: str) -> None:
        since_ms = self._state.since_ms
        if status is not self._state.status:
            since_ms = self._clock.wall_ms()
        self._state = replace(self._state, status=status, since_ms=since_ms, sentence=sentence)
        self._outlet.gateway_changed(self._state)

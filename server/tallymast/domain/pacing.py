"""Says which site is asked next on a channel, and when: a dead site costs the living nothing.

Pure arithmetic over a queue; seconds of a monotonic clock come in as arguments. How a site is
asked, and what its answer makes of it, is decided elsewhere (polling, contact.py).

One *lane* a site. A lane has a time at which its next poll falls due, and perhaps an open
*visit* that waits for a retry. Each turn goes to

1. a poll a person demanded, while such polls took less than 30 % of the last 10 s;
2. else to the earliest deadline among polls due, retries ripe and the one probe allowed. A
   poll's deadline is its due time plus its period; a retry joins as if it fell due when it
   is ripe, so behind everything that waits already;
3. else, on a channel too full for what is asked, to the site whose turn comes next.

A lane whose next poll falls due while its visit waits gives that visit up.

Questions that are no poll have no lane. Those of a *try* and of an *order* share the 30 % of
demanded polls, and go before them. Those
of a *scan* go where nobody else is due, and never take more than 20 % of any 30 s; on a channel
that is always full one goes every 30 s all the same, so that a scan ends.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from math import ceil, inf

from tallymast.domain.airtime_use import AirtimeUse

DEMAND_SHARE, DEMAND_WINDOW_S = 0.30, 10.0
PROBE_SHARE = 0.10
SCAN_SHARE, SCAN_WINDOW_S = 0.20, 30.0
SCAN_SLACK_S = 0.05  # Ours: a clock's ticks; three timeouts of 2 s are 6 s and some milliseconds
FULL_FROM = 0.97  # Ours: above this load periods are stretched, so that probes still fit in.
COST_MEMORY = 0.2  # Ours: a poll's cost is remembered over about five polls.
GOLDEN = 0.6180339887498949  # multiples of it, modulo 1, lie evenly for any number of sites


class Purpose(StrEnum):
    """What a turn on the channel is for."""

    POLL = "poll"
    RETRY = "retry"
    PROBE = "probe"
    DEMAND = "demand"
    SCAN = "scan"
    TRY = "try"
    ORDER = "order"  # what a person has an output do, and its read-back


@dataclass(frozen=True, slots=True)
class PacedSite:
    """What pacing knows of a site.

    Attributes:
        hard_s: half the station's shortest watchdog [s]; it is asked at least that often.
        cost_s: a first guess of the airtime its poll takes [s].
        path: sites reached the same way; asked at once when this one answers again.
        probe_s: the pause to its next probe [s] if it is failing already, else None.

    """

    site_id: int
    period_s: float
    cost_s: float
    hard_s: float = inf
    path: frozenset[int] = frozenset()
    probe_s: float | None = None


@dataclass(frozen=True, slots=True)
class Turn:
    """Whose turn it is: a ``fresh`` visit, or one more try of the open one.

    ``demanded``: a person asked for it meanwhile, whatever rule gave the turn.
    """

    site_id: int
    purpose: Purpose
    fresh: bool
    demanded: bool = False


@dataclass(slots=True)
class _Lane:
    site: PacedSite
    phase: float  # 0..1: where in its period its polls fall
    due_at: float
    probe_s: float | None
    cost_s: float
    began_at: float = -inf  # when its last visit began
    ripe_at: float | None = None  # the open visit may go on from here; None: no visit is open
    demanded_at: float | None = None
    hurried: bool = False
    spent_s: float = 0.0

    @property
    def period_s(self) -> float:
        return min(self.site.period_s, self.site.hard_s)


@dataclass(slots=True)
class Pace:
    """The queue of one channel."""

    sites: Sequence[PacedSite]
    now: float
    use: AirtimeUse = field(init=False)
    stretch: float = field(init=False, default=1.0)
    _lanes: dict[int, _Lane] = field(init=False)
    _cycle_s: float = field(init=False, default=0.0)  # the shortest period as it is now
    _probe_from: float = field(init=False, default=-inf)
    _scanned_at: float = field(init=False, default=-inf)  # when a scan's last question began
    _scan_from: float = field(init=False, default=-inf)  # they are spread, not asked in a heap

    def __post_init__(self) -> None:
        """Every site is due at once, failing ones after the living; later they are staggered."""
        self.use = AirtimeUse(self.now)
        living_s = sum(site.cost_s for site in self.sites if site.probe_s is None)
        self._lanes = {
            site.site_id: _Lane(
                site,
                phase=n * GOLDEN % 1.0,
                due_at=self.now + (living_s if site.probe_s is not None else 0.0),
                probe_s=site.probe_s,
                cost_s=site.cost_s,
                hurried=True,
            )
            for n, site in enumerate(self.sites)
        }
        self._restretch()

    def revise(self, sites: Sequence[PacedSite], now: float) -> None:
        """Take another list of sites; one that stays keeps its place in time and its open visit.

        A site with a shorter period falls due accordingly sooner; a new one at once.
        """
        before = self._lanes
        self.sites = sites
        self._lanes = {}
        for n, site in enumerate(sites):
            lane = before.get(site.site_id)
            if lane is None:
                lane = _Lane(site, n * GOLDEN % 1.0, now, site.probe_s, site.cost_s, hurried=True)
            elif lane.site != site:
                if lane.period_s != min(site.period_s, site.hard_s) and lane.probe_s is None:
                    lane.due_at = min(lane.due_at, max(now, lane.began_at + site.period_s))
                lane.site = site
            self._lanes[site.site_id] = lane
        self._restretch()

    # --- whose turn ----------------------------------------------------------------------

    def take(self, now: float) -> Turn | None:
        """Return whose turn it is now, and note that it begins; None while nobody may go."""
        turn = self._demanded(now) or self._earliest(now) or self._early(now)
        if turn is None:
            return None
        lane = self._lanes[turn.site_id]
        if turn.fresh:
            self._begin(lane, turn.purpose, now)
        demanded, lane.demanded_at = lane.demanded_at is not None, None
        return replace(turn, demanded=demanded)

    def wake_at(self, now: float) -> float:
        """Return when ``take`` may have an answer if it has none now (infinite: never)."""
        return min(self._wakes(now), default=inf)

    def demand(self, site_id: int, now: float) -> None:
        """Ask for a poll of the site as soon as may be."""
        lane = self._lanes[site_id]
        lane.demanded_at = now if lane.demanded_at is None else lane.demanded_at

    def hurry(self, site_ids: Iterable[int], now: float) -> None:
        """Let these sites fall due now, probes out of the row too."""
        for site_id in site_ids:
            if site_id in self._lanes:
                lane = self._lanes[site_id]
                lane.due_at, lane.hurried = min(lane.due_at, now), True

    # --- questions that are no poll -------------------------------------------------------

    def may_try(self, now: float) -> bool:
        """Return whether a person's question may go before what is due."""
        return self._demand_may_go(now)

    def may_scan(self, now: float, longest_s: float, since: float) -> bool:
        """Return whether a scan's question may go where nothing is due.

        Args:
            now: this instant [s].
            longest_s: how long it takes if nobody answers [s].
            since: when the scan began [s].

        """
        if self.scan_is_overdue(now, since):
            return True
        if now < self._scan_from:
            return False
        lately = self.use.busy_s(Purpose.SCAN, now, max(SCAN_WINDOW_S - longest_s, 0.0))
        return lately + longest_s <= SCAN_SHARE * SCAN_WINDOW_S + SCAN_SLACK_S

    def scan_is_overdue(self, now: float, since: float) -> bool:
        """Return whether a scan has waited so long that its question goes before what is due."""
        return now - max(since, self._scanned_at) >= SCAN_WINDOW_S

    def asked(self, purpose: Purpose, begin: float, end: float) -> None:
        """Note the airtime of a question that is no poll."""
        self.use.add(purpose, begin, end)
        if purpose is Purpose.SCAN:
            self._scanned_at = begin
            self._scan_from = end + (end - begin) * (1 / SCAN_SHARE - 1)

    # --- what became of it ---------------------------------------------------------------

    def spent(self, turn: Turn, begin: float, end: float) -> None:
        """Note the airtime a turn took."""
        self.use.add(turn.purpose, begin, end, turn.site_id)
        self._lanes[turn.site_id].spent_s += end - begin
        if turn.purpose is Purpose.PROBE:
            cost = end - begin
            self._probe_from = max(begin + self._cycle_s, end + cost * (1 / PROBE_SHARE - 1))

    def postpone(self, site_id: int, ripe_at: float) -> None:
        """Keep the site's visit open; it goes on from ``ripe_at`` at the earliest."""
        self._lanes[site_id].ripe_at = ripe_at

    def finish(self, site_id: int, now: float, probe_s: float | None) -> None:
        """Close the site's visit; ``probe_s`` is its pause while it is failing, else None."""
        lane = self._lanes[site_id]
        returned = lane.probe_s is not None and probe_s is None
        lane.probe_s, lane.ripe_at = probe_s, None
        if probe_s is not None:
            lane.due_at = now + probe_s
        elif returned:
            lane.due_at = self._on_grid(lane, now)
            self.hurry(self._silent(lane.site.path), now)
        if probe_s is None and lane.spent_s > 0:
            lane.cost_s += COST_MEMORY * (lane.spent_s - lane.cost_s)
        lane.spent_s = 0.0
        self._restretch()

    def _silent(self, path: Iterable[int]) -> Iterator[int]:
        for site_id in path:
            if site_id in self._lanes and self._lanes[site_id].probe_s is not None:
                yield site_id

    # --- load ----------------------------------------------------------------------------

    @property
    def load(self) -> float:
        """Airtime asked for by the living sites, as a share of all there is (may exceed 1)."""
        return sum(lane.cost_s / lane.period_s for lane in self._living())

    @property
    def even_s(self) -> float | None:
        """How often all living sites could be polled, were they polled alike [s]."""
        return sum(lane.cost_s for lane in self._living()) / FULL_FROM or None

    @property
    def usual_cost_s(self) -> float | None:
        """The airtime a usual living site's poll takes [s]: half of them take less."""
        costs = sorted(lane.cost_s for lane in self._living())
        return costs[len(costs) // 2] if costs else None

    @property
    def holds_s(self) -> float | None:
        """The shortest poll period the channel can hold [s]; None while it holds what is asked."""
        return self._cycle_s if self.stretch > 1.0 else None

    def _restretch(self) -> None:
        self.stretch = max(1.0, self.load / FULL_FROM)
        self._cycle_s = min((self._stretched(lane) for lane in self._living()), default=0.0)

    def _living(self) -> Iterator[_Lane]:
        return (lane for lane in self._lanes.values() if lane.probe_s is None)

    def _stretched(self, lane: _Lane) -> float:
        return min(lane.period_s * self.stretch, lane.site.hard_s)

    # --- choosing ------------------------------------------------------------------------

    def _demanded(self, now: float) -> Turn | None:
        if not self._demand_may_go(now):
            return None
        asked = [lane for lane in self._lanes.values() if self._demand_is_ripe(lane, now)]
        if not asked:
            return None
        first = min(asked, key=lambda lane: lane.demanded_at or 0.0)
        return Turn(first.site.site_id, Purpose.DEMAND, fresh=first.ripe_at is None)

    def _demand_may_go(self, now: float) -> bool:
        lately = sum(
            self.use.busy_s(purpose, now, DEMAND_WINDOW_S)
            for purpose in (Purpose.DEMAND, Purpose.TRY, Purpose.ORDER)
        )
        return lately < DEMAND_SHARE * DEMAND_WINDOW_S

    @staticmethod
    def _demand_is_ripe(lane: _Lane, now: float) -> bool:
        return lane.demanded_at is not None and (lane.ripe_at is None or lane.ripe_at <= now)

    def _earliest(self, now: float) -> Turn | None:
        best, deadline = None, inf
        for lane in self._lanes.values():
            turn, until = self._offer(lane, now)
            if turn is not None and until < deadline:
                best, deadline = turn, until
        return best

    def _offer(self, lane: _Lane, now: float) -> tuple[Turn | None, float]:
        site_id = lane.site.site_id
        if lane.due_at <= now:
            if lane.probe_s is None:
                turn = Turn(site_id, Purpose.POLL, fresh=True)
                return turn, lane.due_at + self._stretched(lane)
            if lane.ripe_at is None and (lane.hurried or self._probe_from <= now):
                return Turn(site_id, Purpose.PROBE, fresh=True), lane.due_at + self._cycle_s
        if lane.ripe_at is not None and lane.ripe_at <= now:
            turn = Turn(site_id, Purpose.RETRY, fresh=False)
            return turn, lane.ripe_at + self._stretched(lane)
        return None, inf

    def _early(self, now: float) -> Turn | None:
        if self.stretch <= 1.0:
            return None
        free = [lane for lane in self._living() if self._may_go_early(lane, now)]
        if not free:
            return None
        first = min(free, key=lambda lane: lane.due_at)
        return Turn(first.site.site_id, Purpose.POLL, fresh=True)

    @staticmethod
    def _may_go_early(lane: _Lane, now: float) -> bool:
        return lane.ripe_at is None and lane.began_at + lane.period_s <= now

    def _begin(self, lane: _Lane, purpose: Purpose, now: float) -> None:
        first = lane.began_at == -inf
        lane.began_at, lane.spent_s, lane.hurried, lane.ripe_at = now, 0.0, False, now
        if lane.probe_s is not None:
            lane.due_at = inf  # until the visit is finished and says when to probe again
        elif first:
            lane.due_at = self._on_grid(lane, now)
        elif lane.due_at <= now or purpose is Purpose.POLL:
            lane.due_at = self._following(lane, now)

    def _on_grid(self, lane: _Lane, now: float) -> float:
        period = lane.period_s
        origin = self.now + lane.phase * period
        return origin + ceil((now - origin) / period + 0.5) * period

    def _following(self, lane: _Lane, now: float) -> float:
        period = self._stretched(lane)
        if self.stretch > 1.0:
            return now + period  # no room for a fixed grid: the order of deadlines alone is fair
        return lane.due_at + max(1, ceil((now - lane.due_at) / period)) * period

    def _wakes(self, now: float) -> Iterator[float]:
        demand_from = now if self._demand_may_go(now) else now + 0.1
        for lane in self._lanes.values():
            due = lane.due_at
            if lane.probe_s is not None and not lane.hurried:
                due = max(due, self._probe_from)
            yield due
            if lane.ripe_at is not None:
                yield lane.ripe_at
            if lane.demanded_at is not None:
                yield max(demand_from, lane.ripe_at or now)
            if self.stretch > 1.0 and lane.probe_s is None and lane.ripe_at is None:
                yield lane.began_at + lane.period_s

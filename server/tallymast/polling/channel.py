"""Polls the sites behind one gateway: whose turn it is, one visit after the other, what came of it.

Pacing says who is next, the exchanger asks, contact.py says what the outcome means. A lost
connection ends every open visit, is the gateway's and never a site's, and is mended with
growing pauses; what falls due meanwhile is recorded as lost to the gateway.
"""

import asyncio
import logging
from collections.abc import Iterable
from random import Random

from tallymast.domain import contact
from tallymast.domain.errors import (
    BusySite,
    DeviceFailure,
    ExchangeFailed,
    GarbledAnswer,
    GatewayUnreachable,
    NoAnswer,
    RefusedBySite,
)
from tallymast.domain.modbus.airtime import exchange_minimum_s
from tallymast.domain.modbus.requests import ReadRequest
from tallymast.domain.model import (
    Act,
    GatewayPlan,
    GatewayStatus,
    Job,
    JobState,
    Outcome,
    Poll,
    PollClass,
    PollDone,
    PollFlag,
    SitePlan,
    SiteState,
    SiteStatus,
    WireLine,
)
from tallymast.domain.pacing import GOLDEN, Pace, PacedSite, Purpose, Turn
from tallymast.polling.errands import KINDS as ERRANDS
from tallymast.polling.errands import Errands
from tallymast.polling.exchange import Exchanger, Station
from tallymast.polling.gateway_watch import GatewayWatch
from tallymast.polling.ledger import Ledger
from tallymast.polling.line import Pauses, Port
from tallymast.polling.orders import OrderRuns
from tallymast.polling.ports import Clock, NoOrders, Orders, Outlet
from tallymast.polling.refusals import ASKED_A_POLL, Search
from tallymast.polling.visit import Visit
from tallymast.polling.wishes import Wishes

log = logging.getLogger(__name__)

RETRY_AFTER_S = 1.0
PATIENCE_S = 0.5  # Ours: so long a search for refused registers may keep the channel quiet
NO_SUCH_REGISTER = 2  # MODBUS Application Protocol V1.1b3 section 7
LOOK_S = 0.1  # how soon a demanded poll is seen on an idle channel


class Channel:
    """One gateway's sites, polled until cancelled.

    Args:
        plan: the gateway and its sites.
        ledger: what is known of all sites, and which channel polls each.
        outlet: where results go.
        clock: the time of day, for stamps.
        port: the connection to the gateway.
        chance: for pauses that keep out of step with others.
        orders: what people order of outputs.

    """

    def __init__(
        self,
        plan: GatewayPlan,
        ledger: Ledger,
        outlet: Outlet,
        clock: Clock,
        port: Port,
        chance: Random,
        orders: Orders | None = None,
    ) -> None:
        self.plan = plan
        self._next_plan: GatewayPlan | None = None
        self._outlet = outlet
        self._clock = clock
        self._pauses = Pauses(chance)
        self._ledger = ledger
        self._states = ledger.states
        self._is_asking = self._is_short = False
        self._sites: dict[int, SitePlan] = {}
        self._patience: dict[int, contact.Patience] = {}
        self._watched_until_ms = 0
        self._searches: dict[int, Search] = {}
        self._told: dict[int, int] = {}  # by site the layout whose refused points are told
        self._refused_at = float("-inf")
        self._fit(plan)
        self._exchanger = Exchanger(port, plan.gateway)
        self._watch = GatewayWatch(plan, self._exchanger, outlet, clock)
        self._wishes = Wishes(outlet, self.name_of)
        self._errands = Errands(self._exchanger, outlet, lambda: self.plan)
        self._orders = OrderRuns(self._exchanger, orders or NoOrders(), lambda: self._sites, clock)
        self._pace = Pace((), 0.0)
        self._visits: dict[int, Visit] = {}
        self._slow_due: dict[int, float] = {}
        self._lost_due: dict[int, float] = {}

    # --- what is polled --------------------------------------------------------------------

    def revise(self, plan: GatewayPlan) -> None:
        """Poll by another plan of the same gateway, from between two exchanges on."""
        self._next_plan = plan
        if not self._is_asking:
            self._take_plan()

    def _fit(self, plan: GatewayPlan) -> None:
        """Poll the plan's sites from now on, as far as no other channel still has them."""
        self.plan = plan
        wanted = {one.site_id: one for one in plan.sites if one.is_polled}
        gone = self._sites.keys() - wanted.keys()
        self._ledger.let_go(gone, plan.gateway_id)
        self._sites = {
            key: one for key, one in wanted.items() if self._ledger.take(key, plan.gateway_id)
        }
        self._is_short = len(self._sites) < len(wanted)
        for key, one in self._sites.items():
            self._states[key] = _known(self._states.get(key), one, self._clock.wall_ms())
        self._patience = {
            key: contact.patience(one.site, plan.gateway) for key, one in self._sites.items()
        }

    def _take_plan(self) -> None:
        """Swap the plan, if there is another; open visits of what changed end as they stand."""
        plan, self._next_plan = self._next_plan, None
        if plan is None and self._is_short:
            plan = self.plan
        if plan is None:
            return
        before = dict(self._sites)
        now_polled = {one.site_id: one for one in plan.sites if one.is_polled}
        for site_id, one in before.items():
            after = now_polled.get(site_id)
            if after is None or _asked_for(after) != _asked_for(one):
                self._end_visit(site_id)
                self._slow_due.pop(site_id, None)
                self._searches.pop(site_id, None)
                self._told.pop(site_id, None)
        for site_id in self._wishes.sites - now_polled.keys():
            sentence = f"{self.name_of(site_id)} is not polled here any more."
            self._wishes.fail([site_id], sentence)
        self._fit(plan)
        self._note_lost(self._sites.keys() - before.keys())
        self._exchanger.revise(plan.gateway)
        self._watch.revise(plan)
        self._pace.revise([self._paced(one) for one in self._sites.values()], _now())
        for site_id in self._wishes.sites & self._sites.keys():
            self._pace.demand(site_id, _now())

    def _note_lost(self, new: Iterable[int]) -> None:
        """Let new sites of an unreachable gateway be lost to it as the others are."""
        self._lost_due = {key: due for key, due in self._lost_due.items() if key in self._sites}
        if self._watch.status is GatewayStatus.UNREACHABLE:
            for site_id in new:
                self._lost_due.setdefault(site_id, _now())

    def _end_visit(self, site_id: int) -> None:
        visit = self._visits.pop(site_id, None)
        if visit is not None:
            self._pace.finish(site_id, _now(), None)
            name = visit.plan.site.name
            self._close(visit, f"{name} was changed while it was asked; ask again.")

    def name_of(self, site_id: int) -> str:
        """Return a site's name."""
        return next(one.site.name for one in self.plan.sites if one.site_id == site_id)

    # --- life of the connection ----------------------------------------------------------

    async def run(self) -> None:
        """Connect, poll, and connect again, until cancelled."""
        try:
            while True:
                await self._wait_lost(self._pauses.next_s())
                try:
                    await self._connected()
                except GatewayUnreachable as error:
                    self._lose(error)
        finally:
            self._exchanger.close()
            self._end_visits("Polling ended while it was asked; ask again.")
            self._orders.end("Polling ended.")
            self._ledger.let_go(self._sites, self.plan.gateway_id)

    async def _connected(self) -> None:
        await self._exchanger.connect()
        self._watch.connected()
        self._lost_due.clear()
        self._pace = Pace([self._paced(one) for one in self._sites.values()], _now())
        for site_id in self._wishes.sites & self._sites.keys():
            self._pace.demand(site_id, _now())
        while True:
            self._take_plan()
            if not await self._asked():
                await self._exchanger.listen(min(self._pace.wake_at(_now()), _now() + LOOK_S))
            if self._exchanger.answers_since_connect:
                self._pauses.reset()
            self._watch.tell(self._pace)

    async def _asked(self) -> bool:
        """Ask whoever's turn it is; return whether it was anybody's."""
        self._is_asking = True  # from here on no other plan may come in between
        try:
            if await self._orders.first(self._pace):
                return True
            if await self._errands.first(self._pace):
                return True
            turn = self._pace.take(_now())
            if turn is None:
                return await self._errands.idle(self._pace)
            await self._go(turn)
            return True
        finally:
            self._is_asking = False

    def _lose(self, error: GatewayUnreachable) -> None:
        self._exchanger.close()
        self._watch.lost(str(error))
        self._end_visits(str(error))
        self._orders.lose(str(error))
        self.fail_jobs(str(error))
        for site_id in self._sites:
            self._lost_due.setdefault(site_id, _now())

    def _end_visits(self, sentence: str) -> None:
        """End every open visit, for a reason."""
        for visit in self._visits.values():
            self._close(visit, sentence)
        self._visits.clear()

    def _close(self, visit: Visit, sentence: str) -> None:
        """End a visit before its end; what has been answered stays an answer."""
        if visit.is_answered:
            self._record(visit)
            return
        for job_id in visit.jobs:
            self._outlet.job_changed(job_id, JobState.FAILED, 1.0, sentence)

    async def _wait_lost(self, pause_s: float) -> None:
        """Let a pause pass; polls that fall due meanwhile are lost to the gateway."""
        ends = _now() + pause_s
        while True:
            self._take_plan()
            self._orders.drop_expired()
            for site_id, due in self._lost_due.items():
                if due <= _now():
                    self._lost_due[site_id] = _now() + self._sites[site_id].site.poll_every_s
                    self._record_lost(site_id)
            if _now() >= ends:
                return
            await asyncio.sleep(min(ends - _now(), LOOK_S))

    def _paced(self, one: SitePlan) -> PacedSite:
        state = self._states[one.site_id]
        return PacedSite(
            one.site_id,
            one.site.poll_every_s,
            sum(self._cost_s(one, n) for n in range(len(one.layout.blocks))),
            hard_s=_watchdog_s(one) / 2,
            path=_path(one, self._sites.values()),
            probe_s=state.probe_s if contact.is_failing(state) else None,
        )

    def _cost_s(self, one: SitePlan, block: int) -> float:
        request, gateway = _request(one, block), self.plan.gateway
        return exchange_minimum_s(
            len(request.expected().request),
            request.answer_length,
            gateway.baud,
            gateway.character_bits,
            one.site.turnaround_ms / 1000,
        )

    # --- who listens in ---------------------------------------------------------------------

    def watch(self, until_ms: int) -> None:
        """Hand up what goes over the wire until an instant [UTC ms]."""
        self._watched_until_ms = until_ms
        self._exchanger.tap = self._tap

    def _tap(self, way: str, body: bytes, unit: int | None, meaning: str) -> None:
        at_ms = self._clock.wall_ms()
        if at_ms >= self._watched_until_ms:
            self._exchanger.tap = None
            return
        site_id = next((one.site_id for one in self.plan.sites if one.site.unit == unit), None)
        self._outlet.wire(WireLine(self.plan.gateway_id, site_id, at_ms, way, body, meaning))

    # --- work a person asked for ---------------------------------------------------------

    def take_job(self, job: Job) -> bool:
        """Take a job if it is for this gateway or a site of it; return whether it is."""
        if job.kind in ERRANDS:
            return self._take_errand(job)
        plan = next((one for one in self.plan.sites if one.site_id == job.site_id), None)
        if plan is None:
            return False
        if not plan.is_polled:
            why = "polling was ended on purpose" if plan.site.in_service else "it is out of service"
            self._refuse(job, f"{plan.site.name} is not polled: {why}.")
        elif self._watch.status is GatewayStatus.UNREACHABLE:
            self._refuse(job, self._watch.sentence)
        elif self._wishes.take(job, plan.site_id):
            self._demand(plan.site_id)
        return True

    def _take_errand(self, job: Job) -> bool:
        if job.gateway_id != self.plan.gateway_id:
            return False
        if self._watch.status is GatewayStatus.UNREACHABLE:
            self._refuse(job, self._watch.sentence)
        else:
            self._errands.take(job)
        return True

    def _demand(self, site_id: int) -> None:
        """Have a site polled soon; where that cannot be yet, it follows when it can."""
        if self._watch.status is not GatewayStatus.STARTING and site_id in self._sites:
            self._pace.demand(site_id, _now())

    def _refuse(self, job: Job, sentence: str) -> None:
        self._outlet.job_changed(job.id, JobState.FAILED, 1.0, sentence)

    def stop_jobs(self, job_ids: frozenset[int]) -> None:
        """End jobs because a person asked for that; others' are not known here."""
        self._errands.stop(job_ids)
        self._wishes.stop(job_ids)

    def fail_jobs(self, sentence: str) -> None:
        """End all jobs for a reason; what they found stays."""
        self._wishes.fail(self._wishes.sites, sentence)
        self._errands.fail(sentence)

    # --- a turn --------------------------------------------------------------------------

    async def _go(self, turn: Turn) -> None:
        visit = self._visit(turn)
        begin = _now()
        try:
            ripe_at = await self._ask(visit)
            if ripe_at is None and visit.is_answered:
                await self._search(visit)
        finally:
            self._pace.spent(turn, begin, _now())
        if ripe_at is not None:
            self._pace.postpone(turn.site_id, ripe_at)
            return
        del self._visits[turn.site_id]
        state = self._record(visit)
        probe_s = state.probe_s if contact.is_failing(state) else None
        self._pace.finish(turn.site_id, _now(), probe_s)

    def _visit(self, turn: Turn) -> Visit:
        open_visit = self._visits.get(turn.site_id)
        if turn.fresh and open_visit is not None and open_visit.was_asked:
            self._record(open_visit)  # its next poll fell due: it is given up
            open_visit = None  # one that could ask nothing yet goes on: nothing was missed
        visit = open_visit or self._new_visit(turn)
        self._visits[turn.site_id] = visit
        if turn.demanded:
            visit.flags |= PollFlag.DEMAND
            visit.jobs += self._wishes.begin(turn.site_id)
        return visit

    def _new_visit(self, turn: Turn) -> Visit:
        plan, state = self._sites[turn.site_id], self._states[turn.site_id]
        flags = PollFlag.NONE
        if turn.purpose is Purpose.PROBE:
            flags |= PollFlag.PROBE
        if plan.act is Act.MAINTENANCE:
            flags |= PollFlag.MAINTENANCE
        first_miss = state.missed_in_row == 0 and turn.purpose is not Purpose.PROBE
        retries = plan.site.retries if first_miss or turn.demanded else 0
        return Visit(plan, self._due_blocks(plan, turn), retries, flags)

    def _due_blocks(self, plan: SitePlan, turn: Turn) -> list[int]:
        """Return the fast blocks, and the slow ones when they are due, spread over the sites."""
        slow_due = turn.demanded or self._slow_due.get(plan.site_id, 0.0) <= _now()
        blocks = plan.layout.blocks
        return [n for n, block in enumerate(blocks) if slow_due or block.poll is PollClass.FAST]

    def _note_slow(self, visit: Visit) -> None:
        slow = [
            n for n, block in enumerate(visit.plan.layout.blocks) if block.poll is PollClass.SLOW
        ]
        if visit.is_answered and set(slow) <= set(visit.blocks):
            key, every = visit.plan.site_id, self.plan.gateway.slow_every_s
            share = key * GOLDEN % 1.0 if key not in self._slow_due else 1.0
            self._slow_due[key] = _now() + every * share

    async def _ask(self, visit: Visit) -> float | None:
        """Ask for one block after the other; return when to go on, None when all is said."""
        site = visit.plan.site
        station = Station(site.name, site.unit, site.reply_timeout_s)
        while visit.left:
            request = self._next_of(visit)
            if isinstance(request, float):
                return request
            if await self._exchange(visit, request, station):
                return _now() + RETRY_AFTER_S
        return None

    def _next_of(self, visit: Visit) -> ReadRequest | float:
        """Return what a visit may ask now; where nothing may go yet, when something may."""
        first = float("inf")
        for block in visit.left:
            request = _request(visit.plan, block)
            may_go = self._exchanger.earliest(request, now := _now())
            if may_go <= now:
                visit.put_first(block)
                return request
            first = min(first, may_go)
        return first

    async def _exchange(self, visit: Visit, request: ReadRequest, station: Station) -> bool:
        """Hold one exchange; return whether it is to be tried again later."""
        try:
            given = await self._exchanger.ask(request, station)
        except GatewayUnreachable:
            raise
        except ExchangeFailed as failed:
            log.info("exchange site=%s kind=%s", visit.plan.site.key, type(failed).__name__)
            return self._failed(visit, failed)
        suspect = given.settled.is_suspect(visit.plan.site.poll_every_s)
        visit.answered(given.words, self._answer_ms(), self._clock.wall_ms(), suspect)
        return False

    async def _search(self, visit: Visit) -> None:
        """Ask a few points of refused blocks one by one; tell when all is known."""
        site_id, site = visit.plan.site_id, visit.plan.site
        search = self._searches.get(site_id)
        if search is None:
            return
        station = Station(site.name, site.unit, site.reply_timeout_s)
        for _ in range(ASKED_A_POLL):
            if search.left and not await self._ask_alone(search, visit.plan, station):
                return  # the rest at the next poll
        if not search.left:
            del self._searches[site_id]
            self._told[site_id] = search.layout.id
            told = tuple(dict.fromkeys(search.refused))
            self._outlet.refused(site_id, search.layout.id, told, search.bridges)

    async def _ask_alone(self, search: Search, plan: SitePlan, station: Station) -> bool:
        """Ask for one point alone; return whether that is settled."""
        point = search.left[0]
        request = search.request(plan, point)
        # One exception looks like the other: the last one's repeat must not pass for this one's.
        may_go = max(
            self._exchanger.earliest(request, _now()),
            self._refused_at + self._exchanger.debts.repeat_s,
        )
        if may_go > _now() + PATIENCE_S:
            return False
        await self._exchanger.listen(may_go)
        try:
            await self._exchanger.ask(request, station)
        except GatewayUnreachable:
            raise
        except ExchangeFailed as failed:
            if not isinstance(failed, RefusedBySite):
                return False
            self._refused_at = _now()
            if failed.code == NO_SUCH_REGISTER:
                search.refused.append(point.tag)
        search.left.popleft()
        return True

    def _failed(self, visit: Visit, failed: ExchangeFailed) -> bool:
        if isinstance(failed, RefusedBySite):
            self._refused_at = _now()
            self._suspect(visit, failed.code)
        answered = isinstance(failed, RefusedBySite | DeviceFailure)
        if answered or (isinstance(failed, BusySite) and visit.retries == 0):
            visit.refused(failed.code, self._answer_ms(), self._clock.wall_ms())
            return False
        if isinstance(failed, NoAnswer | GarbledAnswer):
            self._watch.silent(visit.plan.site_id)
        return visit.failed(garbled=isinstance(failed, GarbledAnswer), code=failed.code)

    def _suspect(self, visit: Visit, code: int) -> None:
        """Begin to look for what a block's refusal is about, unless that is told already."""
        site_id, layout, block = visit.plan.site_id, visit.plan.layout, visit.next_block
        if code == NO_SUCH_REGISTER and block is not None and self._told.get(site_id) != layout.id:
            self._searches.setdefault(site_id, Search(layout)).add(block)

    def _answer_ms(self) -> float:
        return 1000 * (self._exchanger.last_answer_s or 0.0)

    # --- what came of it -----------------------------------------------------------------

    def _record(self, visit: Visit) -> SiteState:
        self._note_slow(visit)
        at_ms = self._stamp(visit.plan.site_id, visit.answered_ms or self._clock.wall_ms())
        poll = visit.poll(at_ms)
        state = self._hand_up(poll, visit.plan, visit.suspect_blocks)
        self._watch.visited(visit.plan.site_id)
        if self._wishes.polled(poll):
            self._pace.demand(poll.site_id, _now())
        for job_id in visit.jobs:
            self._outlet.job_changed(job_id, JobState.DONE, 1.0, _said(visit, poll))
        log.info(
            "poll site=%s outcome=%s tries=%d ms=%s",
            visit.plan.site.key,
            poll.outcome.name.lower(),
            poll.tries,
            poll.answer_ms,
        )
        return state

    def _record_lost(self, site_id: int) -> None:
        plan = self._sites[site_id]
        at_ms = self._stamp(site_id, self._clock.wall_ms())
        lost = Poll(
            site_id, at_ms, Outcome.GATEWAY_LOST, PollFlag.NONE, 0, None, plan.layout.id, 0, 0, b""
        )
        self._hand_up(lost, plan, 0)

    def _hand_up(self, poll: Poll, plan: SitePlan, suspect_blocks: int) -> SiteState:
        state = contact.next_state(
            self._states[plan.site_id],
            poll,
            plan.layout,
            self._patience[plan.site_id],
            suspect_blocks,
        )
        self._states[plan.site_id] = state
        self._outlet.poll_done(PollDone(poll, state))
        return state

    def _stamp(self, site_id: int, wall_ms: int) -> int:
        last_ms = self._states[site_id].last_poll_ms
        at_ms, broken = contact.stamp(wall_ms, last_ms)
        if broken:
            reason = "The computer's clock was set back; both passes of the time are kept."
            self._outlet.episode("clock", None, site_id, at_ms, last_ms, reason)
        return at_ms


def _known(state: SiteState | None, one: SitePlan, now_ms: int) -> SiteState:
    if state is None:
        return contact.first_state(one.layout, SiteStatus.NEVER_ANSWERED, now_ms)
    return contact.fitted(state, one.layout)


def _asked_for(plan: SitePlan) -> tuple[int, int]:
    """Return what a visit must be begun by: another unit is another station."""
    return plan.site.unit, plan.layout.id


def _request(plan: SitePlan, block: int) -> ReadRequest:
    wanted = plan.layout.blocks[block]
    return ReadRequest(plan.site.unit, wanted.table, wanted.start, wanted.count)


def _watchdog_s(plan: SitePlan) -> float:
    waits = [point.fail_safe.after_s for point in plan.site.points if point.fail_safe]
    return min(waits, default=float("inf"))


def _path(one: SitePlan, others: Iterable[SitePlan]) -> frozenset[int]:
    """Return the sites that share a repeater with this one, the repeater with them."""
    head = one.via_site_id
    return frozenset(
        other.site_id
        for other in others
        if other.site_id != one.site_id
        and (
            other.via_site_id == one.site_id
            or (head is not None and head in (other.site_id, other.via_site_id))
        )
    )


def _said(visit: Visit, poll: Poll) -> str:
    """Return what came of a demanded poll, in a sentence for people."""
    name = visit.plan.site.name
    tries = "1 try" if poll.tries == 1 else f"{poll.tries} tries"
    if poll.outcome is Outcome.FIRST_TRY:
        return f"{name}: answered at the first try in {poll.answer_ms:.0f} ms."
    if poll.outcome is Outcome.RETRIED:
        return f"{name}: answered in {poll.answer_ms:.0f} ms, after {tries}."
    if poll.outcome is Outcome.GARBLED:
        return f"{name}: bytes came, none of them valid, {tries}."
    return f"{name}: no answer within {visit.plan.site.reply_timeout_s:.1f} s, {tries}."


def _now() -> float:
    return asyncio.get_running_loop().time()

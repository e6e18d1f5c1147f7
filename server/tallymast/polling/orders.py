"""Sends what people order of outputs: claimed first, written once, then read back.

    waiting -> claimed (on the disk its row says that it is being sent) -> written, once
            -> read back -> told

Between two steps the polls of other sites go on. Nothing is ever written a second time: where
nobody can tell what became of a write, that is what is told.
"""

import asyncio
import logging
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass

from tallymast.domain.errors import (
    BusySite,
    ConfigError,
    DeviceFailure,
    ExchangeFailed,
    GarbledAnswer,
    GatewayUnreachable,
    NoAnswer,
)
from tallymast.domain.model import Point, SitePlan
from tallymast.domain.orders import writing
from tallymast.domain.orders.model import OrderKind, OrderState, Sendable, Told
from tallymast.domain.pacing import Pace, Purpose
from tallymast.polling.exchange import READ_BACK_TRIES, Exchanger, Given, Station
from tallymast.polling.ports import Clock, Orders

log = logging.getLogger(__name__)

READ_AGAIN_S = 1.0
GOOD_S = 1.0  # Ours: so long what was judged before an order was cleared is taken to hold
REPEAT_SLACK_S = 0.05
WATCHED_EVERY_S = 5.0  # Ours: how often a site is polled while its feedback is waited for
MAY_STILL_ACT = "It may still take effect; look before you order again."


@dataclass(slots=True)
class _Run:
    """One order on its way.

    Attributes:
        claim: tells whether it may be sent.
        exchanges: how many the channel had held before the write; None: it was not begun.
        sent_at, sent_ms: when the write went out, by the loop's clock [s] and the wall's.
        station: unit and output it was written to; another one's word proves nothing.
        answered: whether the station answered the write.
        ripe_at: when its next step may go [s].
        tries: read-backs that led to nothing.
        granted_at: when its claim was first found granted [s].
        given_up: why it is not sent, although it is claimed; empty: it is to be sent.

    """

    order: Sendable
    claim: "Future[bool]"
    ripe_at: float
    exchanges: int | None = None
    sent_at: float | None = None
    sent_ms: int | None = None
    station: tuple[int, Point] | None = None
    answered: bool = False
    tries: int = 0
    granted_at: float | None = None
    given_up: str = ""


class OrderRuns:
    """The orders of one channel.

    Args:
        exchanger: who writes and reads.
        orders: where they wait, and who stores what becomes of them.
        sites: the sites this channel polls now, by id.
        clock: the time of day, for stamps and for how long an order is good.

    """

    def __init__(
        self,
        exchanger: Exchanger,
        orders: Orders,
        sites: Callable[[], Mapping[int, SitePlan]],
        clock: Clock,
    ) -> None:
        self._exchanger = exchanger
        self._orders = orders
        self._sites = sites
        self._clock = clock
        self._runs: dict[int, _Run] = {}
        self._watched_at: dict[int, float] = {}
        self._look_at: dict[int, float] = {}  # by site, when it is polled after its order

    # --- whose turn ------------------------------------------------------------------------

    async def first(self, pace: Pace) -> bool:
        """Take the next step of an order, if one may go; return whether anything was asked.

        Raises:
            GatewayUnreachable: the connection is lost; what became of each order is told.

        """
        if pace.may_try(_now()) and self._is_proven:
            self._claim_waiting()
        self._ask_watched(pace)
        self.drop_expired()
        for run in sorted(self._runs.values(), key=lambda one: one.sent_at is not None):
            if self._is_ripe(run):
                begin = _now()
                try:
                    if await self._step(run):
                        return True
                finally:
                    pace.asked(Purpose.ORDER, begin, _now())
                    self._look_again(run)
        return False

    @property
    def _is_proven(self) -> bool:
        """Whether anybody has answered since connecting: before that an echo could not be known."""
        return self._exchanger.answers_since_connect > 0

    def _is_ripe(self, run: _Run) -> bool:
        is_open = run.sent_at is not None or self._is_proven
        return is_open and run.claim.done() and run.ripe_at <= _now()

    def _claim_waiting(self) -> None:
        """Claim the oldest order that could go out now; one at a time, so that none waits then.

        Of two to one output the later never goes first: its older one would have the last word.
        """
        if any(run.sent_at is None for run in self._runs.values()):
            return
        held: set[tuple[int, str]] = set()
        for order in self._orders.waiting():
            place = (order.site_id, order.tag)
            if order.id in self._runs or place in held:
                continue
            if self._may_be_written(order):
                self._runs[order.id] = _Run(order, self._orders.claim(order.id), _now())
                return
            held.add(place)

    def _may_be_written(self, order: Sendable) -> bool:
        """Whether an order could go out now; what is judged at its claim has to hold until then."""
        plan = self._sites().get(order.site_id)
        point = plan.site.point(order.tag) if plan else None
        if plan is None or point is None or point.write is None:
            return plan is not None
        try:
            request = writing.request_of(plan.site.unit, point, order.wanted)
        except ValueError:
            return True  # and is refused when it is to be written
        return self._exchanger.earliest(request, _now()) <= _now()

    def _ask_watched(self, pace: Pace) -> None:
        """Have sites polled that had an order, or whose feedback is waited for."""
        for site_id in [key for key, at in self._look_at.items() if at <= _now()]:
            del self._look_at[site_id]
            if site_id in self._sites():
                pace.demand(site_id, _now())
        for site_id in self._orders.watched() & self._sites().keys():
            if _now() >= self._watched_at.get(site_id, 0.0) + WATCHED_EVERY_S:
                self._watched_at[site_id] = _now()
                pace.demand(site_id, _now())

    def _look_again(self, run: _Run) -> None:
        """Have a site polled once its order is over, so that every page shows what it did.

        A moment later: the read-back's answer might come a second time, and would pass for the
        answer to the poll's same question.
        """
        if run.order.id not in self._runs and run.sent_at is not None:
            pause_s = self._exchanger.debts.repeat_s + REPEAT_SLACK_S
            self._look_at[run.order.site_id] = _now() + pause_s

    # --- its end without a step --------------------------------------------------------------

    def drop_expired(self) -> None:
        """End claimed orders that are not sent: too old, given up, or cleared too long ago."""
        for run in list(self._runs.values()):
            if run.sent_at is not None or not run.claim.done():
                continue
            if not self._may_go_on(run):
                self._runs.pop(run.order.id, None)
                continue
            run.granted_at = _now() if run.granted_at is None else run.granted_at
            if self._is_past(run):
                self._end(run, OrderState.NOT_SENT, "It expired before it could be sent.")
            elif run.given_up:
                self._end(run, OrderState.NOT_SENT, f"It was not sent: {run.given_up}")
            elif _now() > run.granted_at + GOOD_S:
                said = "It was not sent: the channel was not free in time. Order it again."
                self._end(run, OrderState.NOT_SENT, said)

    def _may_go_on(self, run: _Run) -> bool:
        """Whether a decided claim was granted."""
        return not run.claim.cancelled() and run.claim.exception() is None and run.claim.result()

    def _is_past(self, run: _Run) -> bool:
        return self._clock.wall_ms() >= run.order.expires_ms

    def lose(self, sentence: str) -> None:
        """Tell of each order what is known now that the connection is lost."""
        for run in list(self._runs.values()):
            if run.exchanges is not None:
                self._end_lost(run, sentence)
            else:
                run.given_up = sentence
        self.drop_expired()

    def end(self, sentence: str) -> None:
        """Tell of each order what is known now that this channel polls no more."""
        for run in list(self._runs.values()):
            if run.exchanges is not None:
                self._end_lost(run, sentence)
            elif not run.claim.done():
                run.claim.add_done_callback(self._not_sent_later(run, sentence))
                del self._runs[run.order.id]
            elif self._may_go_on(run):
                self._end(run, OrderState.NOT_SENT, f"It was not sent: {sentence}")

    def _not_sent_later(self, run: _Run, sentence: str) -> "Callable[[Future[bool]], None]":
        told = Told(OrderState.NOT_SENT, self._clock.wall_ms(), f"It was not sent: {sentence}")

        def tell(claim: "Future[bool]") -> None:
            if not claim.cancelled() and claim.exception() is None and claim.result():
                self._orders.told(run.order.id, told)

        return tell

    def _end_lost(self, run: _Run, sentence: str) -> None:
        if run.exchanges == self._exchanger.exchanges and run.sent_at is None:
            self._end(run, OrderState.NOT_SENT, f"It was not sent: {sentence}")
        else:
            run.sent_ms = run.sent_ms or self._clock.wall_ms()
            said = f"It was sent, and what became of it is not known: {sentence} {MAY_STILL_ACT}"
            self._end(run, OrderState.UNKNOWN, said)

    # --- steps -------------------------------------------------------------------------------

    async def _step(self, run: _Run) -> bool:
        """Write or read back; return whether anything went over the wire."""
        plan = self._sites().get(run.order.site_id)
        point = plan.site.point(run.order.tag) if plan else None
        if plan is None or point is None or point.write is None:
            return self._gone(run)
        site = plan.site
        station = Station(site.name, site.unit, site.reply_timeout_s)
        if run.sent_at is None:
            return await self._write(run, point, station)
        if run.station != (site.unit, point):
            return self._gone(run)
        return await self._read_back(run, point, station)

    def _gone(self, run: _Run) -> bool:
        if run.sent_at is None:
            said = "It was not sent: the output is not there any more, or its site not polled."
            self._end(run, OrderState.NOT_SENT, said)
        else:
            said = f"The network was changed before it could be read back. {MAY_STILL_ACT}"
            self._end(run, OrderState.UNCONFIRMED, said)
        return False

    async def _write(self, run: _Run, point: Point, station: Station) -> bool:
        try:
            request = writing.request_of(station.unit, point, run.order.wanted)
        except ValueError as error:
            self._end(run, OrderState.REFUSED, f"It was not sent: {error}")
            return False
        may_go = self._exchanger.earliest(request, _now())
        if may_go > _now():
            run.ripe_at = may_go
            return False
        self._overtake(run)
        run.exchanges, run.station = self._exchanger.exchanges, (station.unit, point)
        try:
            run.answered = await self._exchanger.write_once(request, station)
        except ConfigError as error:
            self._end(run, OrderState.REFUSED, f"It was not sent: {error}")
            return False
        except GatewayUnreachable as error:
            self._end_lost(run, str(error))
            raise
        except ExchangeFailed as failed:
            self._refused(run, failed)
            return True
        self._sent(run, point, station)
        return True

    def _overtake(self, newer: _Run) -> None:
        """End older orders to an output whose read-back would show what a newer one did."""
        place = (newer.order.site_id, newer.order.tag)
        for run in list(self._runs.values()):
            if run is not newer and (run.order.site_id, run.order.tag) == place:
                said = f"A newer order went out before this one was read back. {MAY_STILL_ACT}"
                self._end(run, OrderState.UNCONFIRMED, said)

    def _refused(self, run: _Run, failed: ExchangeFailed) -> None:
        run.sent_at = self._exchanger.last_sent_at
        if isinstance(failed, DeviceFailure):
            said = f"{failed} Whether the output acted is not known. {MAY_STILL_ACT}"
            self._end(run, OrderState.UNCONFIRMED, said, code=failed.code)
        else:
            self._end(run, OrderState.REFUSED, str(failed), code=failed.code)

    def _sent(self, run: _Run, point: Point, station: Station) -> None:
        run.sent_at = self._exchanger.last_sent_at
        run.sent_ms = self._clock.wall_ms() - round(1000 * (_now() - run.sent_at))
        read = writing.read_of(station.unit, point)
        run.ripe_at = self._exchanger.debts.certain_from(read, _now())
        heard = "the station answered" if run.answered else "no valid answer came"
        said = f"It was sent; {heard}. It is being read back."
        self._tell(run, Told(OrderState.SENT, self._clock.wall_ms(), said, sent_ms=run.sent_ms))

    async def _read_back(self, run: _Run, point: Point, station: Station) -> bool:
        read = writing.read_of(station.unit, point)
        may_go = self._exchanger.earliest(read, _now())
        if may_go > _now():
            run.ripe_at = may_go
            return False
        assert run.sent_at is not None
        try:
            given = await self._exchanger.read_since(read, station, run.sent_at)
        except GatewayUnreachable as error:
            self._end_lost(run, str(error))
            raise
        except (NoAnswer, GarbledAnswer, BusySite):
            self._try_again(run, READ_AGAIN_S)
            return True
        except ExchangeFailed as failed:
            said = f"It cannot be read back: {failed} {MAY_STILL_ACT}"
            self._end(run, OrderState.UNCONFIRMED, said, code=failed.code)
            return True
        if given is None:  # it may be an older read's answer; the next try is to be certain
            self._try_again(run, self._exchanger.debts.certain_from(read, _now()) - _now())
        else:
            self._judge(run, point, given)
        return True

    def _try_again(self, run: _Run, pause_s: float) -> None:
        run.tries += 1
        run.ripe_at = _now() + pause_s
        if run.tries >= READ_BACK_TRIES:
            heard = (
                "The station answered the write" if run.answered else "The write was not answered"
            )
            said = f"{heard}, and nothing could be read back in {run.tries} tries. {MAY_STILL_ACT}"
            self._end(run, OrderState.UNCONFIRMED, said)

    def _judge(self, run: _Run, point: Point, given: Given) -> None:
        """Say what the read-back proves; a silent write may have been read before it acts."""
        assert run.sent_at is not None
        wanted, elapsed_s = run.order.wanted, given.arrived_at - run.sent_at
        try:
            shown = writing.shows(point, given.words)
        except ValueError as error:
            said = f"What was read back makes no value: {error} {MAY_STILL_ACT}"
            self._end(run, OrderState.UNCONFIRMED, said)
            return
        holds = writing.holds(point, wanted, given.words, elapsed_s)
        read_ms = self._clock.wall_ms() - round(1000 * (_now() - given.arrived_at))
        state = OrderState.CONFIRMED if holds else OrderState.UNCONFIRMED
        said = "Read back: it is as ordered." if holds else _not_so(run, shown)
        self._end(run, state, said, readback=shown, readback_ms=read_ms)

    # --- telling -------------------------------------------------------------------------------

    def _end(
        self,
        run: _Run,
        state: OrderState,
        said: str,
        *,
        code: int = 0,
        readback: float | None = None,
        readback_ms: int | None = None,
    ) -> None:
        self._runs.pop(run.order.id, None)
        now_ms = self._clock.wall_ms()
        told = Told(state, now_ms, said, code, run.sent_ms, readback, readback_ms)
        log.info("order id=%d state=%s", run.order.id, state)
        self._tell(run, told)

    def _tell(self, run: _Run, told: Told) -> None:
        self._orders.told(run.order.id, told)


def _not_so(run: _Run, shown: float) -> str:
    """Return what a read-back says that does not show what was ordered."""
    wanted = run.order.wanted
    if wanted.kind is OrderKind.PULSE and run.answered and shown == 0:
        return (
            "The station answered the write, and its on-time was over, or not begun, when it was "
            "read back."
        )
    said = f"{_heard(run)}, and the read-back shows something else."
    return said if run.answered else f"{said} {MAY_STILL_ACT}"


def _heard(run: _Run) -> str:
    return "The station answered the write" if run.answered else "The write was not answered"


def _now() -> float:
    return asyncio.get_running_loop().time()

"""Orders on a virtual clock: what is told of them against what the station really did.

The station here keeps its own count of executed writes, so that nothing is believed because the
code says so.
"""

import asyncio
from collections.abc import Callable, Iterable
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from random import Random

import pytest
from tests.polling.conftest import GATEWAY, HandedWork, KeptOutlet, plan_of, site
from tests.polling.test_poller import all_answer, framed

from tallymast.benches.virtual import MemoryPort, Reply, VirtualClock, run_virtual
from tallymast.domain.model import (
    Gateway,
    Point,
    PointKind,
    PollPlan,
    Table,
    WordLayout,
    WriteTarget,
)
from tallymast.domain.orders.model import OrderKind, OrderState, Sendable, Told, Wanted
from tallymast.polling.poller import Poller

BEGIN_MS = 1_772_953_200_000  # VirtualClock's first instant
VALIDITY_MS = 30_000
COIL, PULSE = 8, 30

OUT = Point(
    "OUT",
    "Pump start",
    PointKind.DISCRETE_OUTPUT,
    Table.COIL,
    COIL,
    WordLayout.BOOL,
    write=WriteTarget(Table.COIL, COIL, 15),
)
GATE = Point(
    "RAISE",
    "Raise",
    PointKind.PULSE_OUTPUT,
    Table.HOLDING,
    PULSE,
    WordLayout.UINT16,
    write=WriteTarget(Table.HOLDING, PULSE, 16),
    seconds_per_count=0.1,
    max_s=60.0,
)
ON, OFF = Wanted(OrderKind.ON, 1.0), Wanted(OrderKind.OFF, 0.0)
PULSE_20_S = Wanted(OrderKind.PULSE, None, 20.0)


@dataclass
class Orders:
    """Orders put in by a test; ``claims`` are decided by ``decide``."""

    stored: list[Sendable]
    decide: Callable[[Future[bool]], None] = lambda claim: claim.set_result(True)
    told_of: list[tuple[int, Told]] = field(default_factory=list)
    claimed: list[int] = field(default_factory=list)
    watching: frozenset[int] = frozenset()

    def waiting(self) -> list[Sendable]:
        return [one for one in self.stored if one.id not in self.claimed]

    def claim(self, order_id: int) -> "Future[bool]":
        self.claimed.append(order_id)
        made: Future[bool] = Future()
        self.decide(made)
        return made

    def told(self, order_id: int, told: Told) -> None:
        self.told_of.append((order_id, told))

    def watched(self) -> frozenset[int]:
        return self.watching

    @property
    def states(self) -> list[OrderState]:
        return [told.state for _, told in self.told_of]

    @property
    def end(self) -> Told:
        assert self.told_of, "nothing was told"
        return self.told_of[-1][1]


@dataclass
class Station:
    """A station with one coil and one pulse register; ``faults`` change what becomes of writes.

    A fault is asked at every write and returns the replies in place of the usual ones, or None.
    """

    fault: Callable[["Station", bytes, float], Iterable[Reply] | None] | None = None
    coil: int = 0
    pulse_until: float = 0.0
    writes: list[tuple[float, bytes]] = field(default_factory=list)
    executed: int = 0
    silent_reads: int = 0

    def __call__(self, frame: bytes, now: float) -> Iterable[Reply]:
        function, start = frame[1], int.from_bytes(frame[2:4], "big")
        if function in (5, 6, 15, 16):
            self.writes.append((now, frame))
            odd = self.fault(self, frame, now) if self.fault else None
            return self.execute(frame, now) if odd is None else odd
        if function == 1 and start == COIL:
            if self.silent_reads:
                self.silent_reads -= 1
                return []
            return [(0.05, framed(bytes([frame[0], 1, 1, self.coil])))]
        if function == 3 and start == PULSE:
            left = max(0, round((self.pulse_until - now) * 10))
            return [(0.05, framed(bytes([frame[0], 3, 2]) + left.to_bytes(2, "big")))]
        return all_answer(frame, now)

    def execute(self, frame: bytes, now: float, after_s: float = 0.05) -> list[Reply]:
        self.executed += 1
        if frame[1] == 15:
            self.coil = frame[7] & 1
        elif frame[1] == 5:
            self.coil = int(frame[4] == 0xFF)
        else:
            self.pulse_until = now + int.from_bytes(frame[7:9], "big") / 10
        return [(after_s, framed(frame[:6]))]


def with_outputs(*outputs: Point, unit: int = 1, gateway: Gateway = GATEWAY) -> PollPlan:
    """Return a plan of two sites; the first has outputs, which its polls do not read."""
    plan = plan_of(site(1), site(2), gateway=gateway)
    first, other = plan.gateways[0].sites
    station = replace(first.site, points=(*first.site.points, *outputs), unit=unit)
    sites = (replace(first, site=station), other)
    return replace(plan, gateways=(replace(plan.gateways[0], sites=sites),))


def order(wanted: Wanted, tag: str = "OUT", number: int = 7, site_id: int = 1) -> Sendable:
    return Sendable(number, site_id, tag, wanted, BEGIN_MS + VALIDITY_MS)


def ordered(
    orders: Orders,
    station: Callable[[bytes, float], Iterable[Reply]],
    seconds: float = 20.0,
    gateway: Gateway = GATEWAY,
    plan: PollPlan | None = None,
    during: Callable[[Poller, MemoryPort], None] | None = None,
    at_s: float = 0.0,
) -> MemoryPort:
    """Poll two sites for some virtual seconds while orders wait; return the port."""
    port = MemoryPort(station)

    async def main() -> None:
        poller = Poller(
            plan or with_outputs(OUT, GATE, gateway=gateway),
            {},
            KeptOutlet(),
            HandedWork(),
            VirtualClock(),
            lambda _: port,
            Random(1),
            orders,
        )
        running = asyncio.ensure_future(poller.run())
        if during is not None:
            asyncio.get_running_loop().call_later(at_s, during, poller, port)
        await asyncio.sleep(seconds)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    run_virtual(main())
    return port


# --- what goes well ---------------------------------------------------------------------------


def test_an_output_is_switched_on_once_and_confirmed_by_reading_it_back() -> None:
    station, orders = Station(), Orders([order(ON)])
    ordered(orders, station)
    assert orders.states == [OrderState.SENT, OrderState.CONFIRMED]
    assert (station.coil, station.executed) == (1, 1)
    assert orders.end.readback == 1.0
    assert orders.end.sent_ms is not None
    assert orders.end.readback_ms is not None
    assert orders.end.readback_ms > orders.end.sent_ms


def test_a_pulse_that_counts_down_is_confirmed_and_written_once() -> None:
    station, orders = Station(), Orders([order(PULSE_20_S, "RAISE")])
    ordered(orders, station)
    assert orders.end.state is OrderState.CONFIRMED
    assert station.executed == 1
    # 200 counts of 0.1 s were written (MODBUS Application Protocol V1.1b3 section 6.12)
    assert station.writes[0][1][:9] == bytes([1, 16, 0, PULSE, 0, 1, 2, 0, 200])


def test_nothing_goes_over_the_wire_before_the_claim_is_on_the_disk() -> None:
    station, claims = Station(), list[Future[bool]]()
    orders = Orders([order(ON)], claims.append)
    port = ordered(orders, station, 10.0)
    assert len(claims) == 1
    assert station.writes == []
    assert len(port.sent) > 2  # polling went on meanwhile


def test_a_refused_claim_is_neither_sent_nor_told_of_again() -> None:
    station, orders = Station(), Orders([order(ON)], lambda claim: claim.set_result(False))
    ordered(orders, station)
    assert (station.writes, orders.told_of) == ([], [])


def test_a_claim_that_comes_after_its_time_is_not_sent_but_told_expired() -> None:
    station, claims = Station(), list[Future[bool]]()
    orders = Orders([order(ON)], claims.append)
    ordered(orders, station, 60.0, during=lambda *_: claims[0].set_result(True), at_s=31.0)
    assert orders.states == [OrderState.NOT_SENT]
    assert "expired" in orders.end.detail
    assert station.writes == []


def test_other_sites_are_polled_between_write_and_read_back_and_the_site_right_after() -> None:
    station, orders = Station(), Orders([order(ON)])
    port = ordered(orders, station, 5.0)
    at = next(now for now, frame in port.sent if frame[1] == 15)
    after = [frame[1] for now, frame in port.sent if now > at]
    assert after[:2] == [1, 4]  # the read-back, then the site's own poll


def test_a_site_whose_feedback_is_waited_for_is_polled_every_few_seconds() -> None:
    station, orders = Station(), Orders([], watching=frozenset({1}))
    port = ordered(orders, station, 31.0)
    polls = [now for now, frame in port.sent if frame[0] == 1 and frame[1] == 4]
    assert 6 <= len(polls) <= 8


# --- what goes wrong on the way ---------------------------------------------------------------


def lost_before(station: Station, frame: bytes, now: float) -> Iterable[Reply]:
    return []


def executed_unheard(station: Station, frame: bytes, now: float) -> Iterable[Reply]:
    station.execute(frame, now)
    return []


def test_a_write_that_never_arrived_is_not_confirmed_and_not_sent_again() -> None:
    station, orders = Station(lost_before), Orders([order(ON)])
    ordered(orders, station, 40.0)
    assert orders.end.state is OrderState.UNCONFIRMED
    assert "may still take effect" in orders.end.detail
    assert len(station.writes) == 1


def test_a_write_whose_answer_was_lost_is_confirmed_by_its_read_back_alone() -> None:
    station, orders = Station(executed_unheard), Orders([order(ON)])
    ordered(orders, station, 40.0)
    assert orders.states == [OrderState.SENT, OrderState.CONFIRMED]
    assert "no valid answer" in orders.told_of[0][1].detail
    assert station.executed == 1


def test_an_output_switched_by_hand_before_the_read_back_is_not_confirmed() -> None:
    def by_hand(station: Station, frame: bytes, now: float) -> Iterable[Reply]:
        replies = station.execute(frame, now)
        station.coil = 0
        return replies

    orders = Orders([order(ON)])
    ordered(orders, Station(by_hand))
    assert orders.end.state is OrderState.UNCONFIRMED
    assert orders.end.readback == 0.0


def test_a_register_that_cannot_be_read_back_is_not_confirmed() -> None:
    station, orders = Station(silent_reads=99), Orders([order(ON)])
    ordered(orders, station, 60.0)
    assert orders.end.state is OrderState.UNCONFIRMED
    assert "nothing could be read back in 4 tries" in orders.end.detail
    assert station.executed == 1


@pytest.mark.parametrize(
    ("code", "state"),
    [
        (2, OrderState.REFUSED),
        (3, OrderState.REFUSED),
        (6, OrderState.REFUSED),
        (4, OrderState.UNCONFIRMED),  # it failed on the way: what it did is not known
    ],
)
def test_what_a_station_refuses_is_told_with_its_code(code: int, state: OrderState) -> None:
    def refuses(station: Station, frame: bytes, now: float) -> Iterable[Reply]:
        return [(0.05, framed(bytes([frame[0], frame[1] | 0x80, code])))]

    station, orders = Station(refuses), Orders([order(ON)])
    ordered(orders, station)
    assert (orders.end.state, orders.end.code) == (state, code)
    assert len(station.writes) == 1


def test_a_write_that_is_accepted_and_not_finished_is_judged_by_its_read_back() -> None:
    def later(station: Station, frame: bytes, now: float) -> Iterable[Reply]:
        station.execute(frame, now)  # exception 05: accepted, not finished yet
        return [(0.05, framed(bytes([frame[0], frame[1] | 0x80, 5])))]

    orders = Orders([order(ON)])
    ordered(orders, Station(later))
    assert orders.end.state is OrderState.CONFIRMED


def test_a_line_that_dies_with_the_write_leaves_it_unknown_and_is_not_written_again() -> None:
    def dies(station: Station, frame: bytes, now: float) -> Iterable[Reply]:
        station.execute(frame, now)
        return [(0.02, None)]

    station, orders = Station(dies), Orders([order(PULSE_20_S, "RAISE")])
    ordered(orders, station, 90.0)
    assert orders.states == [OrderState.UNKNOWN]
    assert station.executed == 1


def test_a_line_that_dies_before_the_read_back_leaves_it_unknown() -> None:
    def dies(station: Station, frame: bytes, now: float) -> Iterable[Reply]:
        station.silent_reads = 1
        return [*station.execute(frame, now), (0.2, None)]

    station, orders = Station(dies), Orders([order(ON)])
    ordered(orders, station, 90.0)
    assert orders.states == [OrderState.SENT, OrderState.UNKNOWN]
    assert len(station.writes) == 1


def test_an_order_is_not_even_claimed_while_nobody_answers_behind_the_gateway() -> None:
    orders = Orders([order(ON)])

    def script(frame: bytes, now: float) -> Iterable[Reply]:
        return [(0.01, None)]  # every connection breaks at once

    port = ordered(orders, script, 60.0)
    assert len(port.opened) > 2
    assert orders.claimed == []  # whoever keeps it lets it expire


def test_polling_that_ends_says_what_became_of_a_claimed_order() -> None:
    station, claims = Station(), list[Future[bool]]()
    orders = Orders([order(ON)], claims.append)
    ordered(orders, station, 3.0)
    assert orders.told_of == []  # nobody knows yet whether it was claimed
    claims[0].set_result(True)
    assert orders.states == [OrderState.NOT_SENT]


def test_own_bytes_that_come_back_refuse_every_order_on_the_gateway() -> None:
    def echo(frame: bytes, now: float) -> Iterable[Reply]:
        return [(0.0, frame), *station(frame, now)]

    station, orders = Station(), Orders([order(ON)])
    ordered(orders, echo, 10.0)
    assert orders.end.state is OrderState.REFUSED
    assert "local_echo" in orders.end.detail
    assert station.writes == []


def test_an_echo_without_a_station_confirms_nothing() -> None:
    # Function 5 is answered by the very bytes that were sent (V1.1b3 section 6.5).
    single = replace(OUT, write=WriteTarget(Table.COIL, COIL, 5))
    orders = Orders([order(ON)])
    gateway = replace(GATEWAY, local_echo=True)
    plan = with_outputs(single, gateway=gateway)
    answered = [False]

    def gone(frame: bytes, now: float) -> Iterable[Reply]:
        """Echo everything; the station answers once and is never heard again."""
        first, answered[0] = not answered[0], True
        return [(0.0, frame), *(all_answer(frame, now) if first else [])]

    ordered(orders, gone, 60.0, gateway, plan)
    assert orders.end.state is OrderState.UNCONFIRMED


def test_a_site_moved_to_another_unit_before_the_read_back_confirms_nothing() -> None:
    station, orders = Station(silent_reads=1), Orders([order(ON)])

    def move(poller: Poller, port: MemoryPort) -> None:
        poller.revise(with_outputs(OUT, GATE, unit=9))

    port = ordered(orders, station, 30.0, during=move, at_s=1.5)
    assert orders.end.state is OrderState.UNCONFIRMED
    assert "changed before it could be read back" in orders.end.detail
    assert [frame[0] for _, frame in port.sent if frame[1] == 15] == [1]


def test_an_order_claimed_when_the_gateway_is_lost_is_told_as_not_sent() -> None:
    station, claims = Station(), list[Future[bool]]()
    orders = Orders([order(ON)], claims.append)

    def lose(poller: Poller, port: MemoryPort) -> None:
        port.hear(None)
        claims[0].set_result(True)

    ordered(orders, station, 30.0, during=lose, at_s=4.0)
    assert orders.states == [OrderState.NOT_SENT]
    assert station.writes == []


def test_an_order_that_cannot_be_written_at_once_is_not_cleared_for_it_yet() -> None:
    """What was judged when it was cleared has to hold when it goes out."""
    station = Station(lost_before)
    orders = Orders([order(ON), order(OFF, number=8)])
    claimed: list[list[int]] = []
    # The ON is never answered: its answer may come until the quarantine of 5 s is over, and the
    # answer to function 15 does not tell an OFF from an ON (V1.1b3 section 6.11).
    ordered(orders, station, 30.0, during=lambda *_: claimed.append(list(orders.claimed)), at_s=5.0)
    assert claimed == [[7]]
    assert orders.claimed == [7, 8]
    (first, _), (then, _) = station.writes
    assert then >= first + 5.0


def test_of_two_orders_to_an_output_the_later_one_has_the_last_word() -> None:
    station, claims = Station(coil=1), list[Future[bool]]()
    orders = Orders([order(ON), order(OFF, number=8)], claims.append)
    ordered(orders, station, 20.0, during=lambda *_: claims[0].set_result(True), at_s=3.0)
    assert orders.claimed == [7, 8]  # one after the other
    assert station.executed == 1
    station, orders = Station(), Orders([order(ON), order(OFF, number=8)])
    ordered(orders, station, 20.0)
    assert [told.state for _, told in orders.told_of if told.state.is_over][-1] is (
        OrderState.CONFIRMED
    )
    assert (station.coil, station.executed) == (0, 2)


def test_an_on_that_is_still_read_back_when_an_off_goes_out_is_not_confirmed() -> None:
    station = Station(silent_reads=3)
    orders = Orders([order(ON), order(OFF, number=8)])
    ordered(orders, station, 30.0)
    ended = {number: told.state for number, told in orders.told_of}
    assert ended == {7: OrderState.UNCONFIRMED, 8: OrderState.CONFIRMED}
    assert (station.coil, station.executed) == (0, 2)
    at = [now for now, _ in station.writes]
    assert at[1] < at[0] + 2.0  # an OFF does not wait for what is read back


def test_an_order_that_has_to_wait_holds_back_later_ones_to_its_output_but_not_to_others() -> None:
    """By function 5 the answer to an OFF could not be taken for one to an ON; it waits even so."""
    single = replace(OUT, write=WriteTarget(Table.COIL, COIL, 5))

    def unheard_at_first(station: Station, frame: bytes, now: float) -> Iterable[Reply] | None:
        return [] if len(station.writes) == 1 else None

    station = Station(unheard_at_first)
    stored = [order(ON), order(ON, number=8), order(OFF, number=9)]
    orders = Orders([*stored, order(PULSE_20_S, "RAISE", 10)])
    ordered(orders, station, 25.0, plan=with_outputs(single, GATE))
    assert orders.claimed == [7, 10, 8, 9]
    assert station.coil == 0

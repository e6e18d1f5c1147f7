"""An order is claimed once, moves forward only, and never comes back to where it could be sent."""

from collections.abc import Callable
from dataclasses import replace
from math import nan

import pytest
from sqlalchemy import Connection, text
from tests.dialects import both_dialects

from tallymast import networks
from tallymast.domain.errors import StorageError
from tallymast.domain.model import Outcome, Point, Poll, PollFlag, SitePlan
from tallymast.domain.orders.model import OrderKind, OrderState, Proof, Told, Wanted
from tallymast.storage import keys, order_proofs, orders, tag_outs
from tallymast.storage.batch import store_polls
from tallymast.storage.engine import Database
from tallymast.storage.hours import close_hours
from tallymast.storage.orders import NewOrder
from tallymast.storage.output_history import history

T0 = 1_772_953_200_000  # 2026-03-08 07:00 UTC, a full hour
HOUR_MS = 3_600_000
NETWORK = """
title = "One pump"
time_zone = "UTC"

[[gateway]]
key = "mast"
name = "Mast"
transport = "rtu-over-tcp"
address = "127.0.0.1:5020"

[[profile]]
key = "pump"
  [[profile.point]]
  tag = "RUN"
  name = "Pump runs"
  kind = "discrete-input"
  table = "discrete"
  register = 0
  [[profile.point]]
  tag = "START"
  name = "Pump"
  kind = "discrete-output"
  table = "coil"
  register = 0
  write = { table = "coil", register = 0, function = 15 }
  feedback = { tag = "RUN", within_s = 30 }

[[site]]
key = "booster"
name = "Booster"
gateway = "mast"
unit = 2
profile = "pump"
poll_every_s = 10
"""
Made = Callable[..., int]


@pytest.fixture
def pump(database: Database) -> tuple[SitePlan, Point]:
    """A site and its start output."""
    networks.bring_network(database, NETWORK, "a test")
    _, plan = networks.load_network(database)
    (site,) = plan.gateways[0].sites
    point = site.site.point("START")
    assert point is not None
    return site, point


def new_order(conn: Connection, pump: tuple[SitePlan, Point], key: str = "k") -> NewOrder:
    number = keys.point_id(conn, pump[0].site_id, "START")
    assert number is not None
    on = Wanted(OrderKind.ON, 1.0)
    return NewOrder(key, T0, T0 + 30_000, "r.hale", None, pump[0].site_id, number, on, "off", T0)


@pytest.fixture
def made(database: Database, pump: tuple[SitePlan, Point]) -> Made:
    """Stores an order and returns its number."""

    def make(key: str = "k") -> int:
        with database.writing() as conn:
            return orders.make(conn, new_order(conn, pump, key))[0].id

    return make


def claimed(database: Database, number: int, now_ms: int, worker: str = "a") -> bool:
    with database.writing() as conn:
        return orders.claim(conn, number, worker, now_ms)


def tell(database: Database, number: int, told: Told) -> bool:
    with database.writing() as conn:
        return orders.tell(conn, number, told)


def state_of(database: Database, number: int) -> tuple[OrderState, str, list[OrderState]]:
    with database.reading() as conn:
        found = orders.order(conn, number)
        assert found is not None
        return found.state, found.reason, [one.state for one in orders.steps(conn, number)]


@both_dialects
def test_the_same_request_is_one_order(database: Database, pump: tuple[SitePlan, Point]) -> None:
    with database.writing() as conn:
        first, is_new = orders.make(conn, new_order(conn, pump))
        assert is_new
        again = replace(new_order(conn, pump), wanted=Wanted(OrderKind.PULSE, None, 900.0))
        assert orders.make(conn, again) == (first, False)
    with database.reading() as conn:
        assert orders.recent(conn, 0, 10) == (first,)
        assert orders.latest_by_point(conn) == {first.point_id: first}
        assert orders.of_site(conn, first.site_id, T0 + 1, 10) == ()
        assert (first.tag, first.wanted, first.state) == (
            "START",
            Wanted(OrderKind.ON, 1.0),
            OrderState.STORED,
        )


@both_dialects
def test_an_order_is_claimed_once(database: Database, made: Made) -> None:
    number = made()
    assert [claimed(database, number, T0 + 1, worker) for worker in "ab"] == [True, False]
    steps = [OrderState.STORED, OrderState.SENDING]
    assert state_of(database, number) == (OrderState.SENDING, "", steps)


@both_dialects
@pytest.mark.parametrize(
    ("now_ms", "said"),
    [(T0 + 30_000, "Expired: it could not be sent within 30 s."), (T0 - 1, "clock was set back")],
    ids=["too late", "set back"],
)
def test_an_order_that_is_past_is_not_sent(
    database: Database, made: Made, now_ms: int, said: str
) -> None:
    number = made()
    assert not claimed(database, number, now_ms)
    state, reason, _ = state_of(database, number)
    assert state is OrderState.NOT_SENT
    assert said in reason
    assert not claimed(database, number, T0 + 5)  # a clock put right does not bring it back


@both_dialects
def test_a_tag_refuses_what_was_stored_before_it_was_hung(
    database: Database, pump: tuple[SitePlan, Point], made: Made
) -> None:
    with database.reading() as conn:
        start, run = (keys.point_id(conn, pump[0].site_id, tag) for tag in ("START", "RUN"))

    def hang(point_id: int | None) -> int:
        with database.writing() as conn:
            return tag_outs.hang(
                conn,
                pump[0].site_id,
                point_id=point_id,
                actor="m.voss",
                account_id=None,
                at_ms=T0,
                reason="Belt is off.",
            ).id

    for point_id in (None, start):
        number = made(f"under {point_id}")
        tag = hang(point_id)
        assert not claimed(database, number, T0 + 1)
        state, reason, _ = state_of(database, number)
        assert state is OrderState.REFUSED
        assert "m.voss: Belt is off." in reason
        with database.writing() as conn:
            assert tag_outs.remove(conn, tag, "m.voss", "Belt is on again.", T0 + 2)
            assert not tag_outs.remove(conn, tag, "m.voss", "Again.", T0 + 3)
            assert tag_outs.hanging(conn) == ()
    hang(run)  # another point's tag
    assert claimed(database, made("free"), T0 + 4)
    with database.reading() as conn:
        assert [one.tag for one in tag_outs.hanging(conn)] == ["RUN"]
        assert tag_outs.history(conn, pump[0].site_id, 9)[0].tag == "RUN"


@both_dialects
def test_an_end_is_never_left(database: Database, made: Made) -> None:
    number = made()
    claimed(database, number, T0 + 1)
    sent = Told(OrderState.SENT, T0 + 2, "Sent.", sent_ms=T0 + 2)
    assert tell(database, number, sent)
    assert not tell(database, number, sent)  # told twice, stored once
    unsure = Told(OrderState.UNKNOWN, T0 + 3, "The line died.", code=4)
    assert tell(database, number, unsure)
    assert not tell(database, number, Told(OrderState.CONFIRMED, T0 + 4, "Read back.", readback=1))
    state, reason, steps = state_of(database, number)
    assert (state, reason) == (OrderState.UNKNOWN, "The line died.")
    last = [OrderState.UNKNOWN, OrderState.UNKNOWN]  # the later word stands in the history
    assert steps == [OrderState.STORED, OrderState.SENDING, OrderState.SENT, *last]


@both_dialects
def test_what_another_process_was_sending_is_unknown(database: Database, made: Made) -> None:
    numbers = [made(key) for key in ("stored", "sending", "sent", "mine")]
    for number, worker in zip(numbers[1:], ("a", "a", "b"), strict=True):
        claimed(database, number, T0 + 1, worker)
    tell(database, numbers[2], Told(OrderState.SENT, T0 + 2, "Sent.", sent_ms=T0 + 2))
    with database.writing() as conn:
        assert orders.abandon(conn, "b", T0 + 3) == 2
        assert orders.abandon(conn, "b", T0 + 4) == 0
    unsure = OrderState.UNKNOWN
    found = [state_of(database, number)[0] for number in numbers]
    assert found == [OrderState.STORED, unsure, unsure, OrderState.SENDING]
    assert "never sent again" in state_of(database, numbers[1])[1]
    with database.writing() as conn:
        assert order_proofs.unread(conn) == ()  # a later order may be what the output shows
        assert orders.expire(conn, T0 + 29_999) == 0
        assert orders.expire(conn, T0 + 30_000) == 1
    assert state_of(database, numbers[0])[0] is OrderState.NOT_SENT


@both_dialects
def test_feedback_and_a_later_reading_are_kept_beside_the_end(
    database: Database, made: Made
) -> None:
    number = made()
    claimed(database, number, T0 + 1)
    tell(database, number, Told(OrderState.CONFIRMED, T0 + 2, "So.", readback=1.0, readback_ms=T0))
    with database.writing() as conn:
        order_proofs.wait(conn, number, T0 + 2)
        (waiting,) = order_proofs.waiting(conn)
        assert order_proofs.overtaken(conn) == ()
        order_proofs.prove(conn, waiting, Proof.NOT_PROVEN, T0 + 30_000, "Not running.")
        assert order_proofs.waiting(conn) == ()
        proven = orders.order(conn, number)
    assert proven is not None
    assert (proven.feedback, proven.feedback_said) == (Proof.NOT_PROVEN, "Not running.")
    assert (proven.state, proven.readback) == (OrderState.CONFIRMED, 1.0)
    number = made("unsure")
    claimed(database, number, T0 + 1)
    tell(database, number, Told(OrderState.UNKNOWN, T0 + 2, "The line died."))
    with database.writing() as conn:
        (unread,) = order_proofs.unread(conn)
        for _ in range(2):
            order_proofs.read_later(conn, unread, 0.0, T0 + 9, "Read once: off.")
        assert order_proofs.unread(conn) == ()
    assert state_of(database, number)[2][-2:] == [OrderState.UNKNOWN, OrderState.UNKNOWN]


@both_dialects
def test_a_read_back_that_is_no_number_is_kept_as_none(database: Database, made: Made) -> None:
    number = made()
    claimed(database, number, T0 + 1)
    tell(database, number, Told(OrderState.UNKNOWN, T0 + 2, "So.", readback=nan, readback_ms=T0))
    with database.reading() as conn:
        found = orders.order(conn, number)
    assert found is not None
    assert (found.readback, found.readback_ms) == (None, T0)


@both_dialects
def test_what_happened_to_an_order_only_grows(database: Database, made: Made) -> None:
    made()
    for statement in ("UPDATE order_step SET detail = 'x'", "DELETE FROM order_step"):
        with pytest.raises(StorageError), database.writing() as conn:
            conn.execute(text(statement))


# --- since when an output is off ------------------------------------------------------------

EVERY_MS = 10_000


def keep_run(database: Database, plan: SitePlan, runs: str, at_ms: int = T0) -> None:
    """Store a poll each 10 s: 1 the pump runs, 0 it does not, - the poll was missed."""
    layout = plan.layout
    (place,) = (one for one in layout.points if one.tag == "RUN")
    polls = []
    for n, sign in enumerate(runs):
        words = [bytearray(2 * block.words) for block in layout.blocks]
        if sign == "1":
            bit = place.offset if place.bit is None else 16 * place.offset + place.bit
            word, bit = divmod(bit, 16)
            number = 1 << bit
            words[place.block][2 * word : 2 * word + 2] = number.to_bytes(2, "big")
        heard = sign != "-"
        polls.append(
            Poll(
                plan.site_id,
                at_ms + EVERY_MS * n,
                Outcome.FIRST_TRY if heard else Outcome.NO_ANSWER,
                PollFlag.NONE,
                1,
                80.0 if heard else None,
                layout.id,
                2 ** len(layout.blocks) - 1 if heard else 0,
                0,
                b"".join(words) if heard else b"",
            )
        )
    with database.writing() as conn:
        store_polls(conn, polls)


RUNS: tuple[tuple[str, int | None, int | None], ...] = (
    ("0011000", 4, 1),
    ("1100110000", 6, 1),  # it ran already when the record begins: that start is not in it
    ("0000011", None, 1),
    ("000000", 0, 0),
    ("11000-----------00", 16, 0),  # nobody knows what it did meanwhile
    ("1100--00", 2, 0),
    ("---", None, None),
)


@both_dialects
def test_the_record_says_since_when_an_output_is_off(
    database: Database, pump: tuple[SitePlan, Point]
) -> None:
    for n, (runs, off_at, starts) in enumerate(RUNS):
        begin_ms = T0 + n * HOUR_MS
        keep_run(database, pump[0], runs, begin_ms)
        end_ms = begin_ms + EVERY_MS * len(runs) + 1
        off_ms = None if off_at is None else begin_ms + EVERY_MS * off_at
        with database.reading() as conn:
            assert history(conn, *pump, begin_ms, end_ms) == (off_ms, starts), runs
            unknown_by_now = history(conn, *pump, begin_ms, end_ms + HOUR_MS // 2)
            assert unknown_by_now[0] is None, runs
    with database.reading() as conn:
        assert history(conn, *pump, T0 - HOUR_MS, T0) == (None, None)


@both_dialects
def test_packed_hours_say_the_same(database: Database, pump: tuple[SitePlan, Point]) -> None:
    keep_run(database, pump[0], "0011100", T0 - 2 * HOUR_MS)
    close_hours(database, T0)
    with database.reading() as conn:
        found = history(conn, *pump, T0 - 2 * HOUR_MS, T0 - 2 * HOUR_MS + 70_000)
    assert found == (T0 - 2 * HOUR_MS + 50_000, 1)

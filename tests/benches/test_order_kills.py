"""The bench of kills says of each kill only what is proven, and counts what must not be."""

import pytest

from tallymast.benches.order_moments import Killed, Moment, Proof
from tallymast.benches.order_proxy import Passing
from tallymast.domain.model import Table
from tallymast.domain.orders.model import Order, OrderKind, OrderState, Wanted
from tallymast.simulator.truth import Fate, TruthLine

WRITE, ANSWER, READ_BACK, READ = Passing
STORED, SENDING, SENT = OrderState.STORED, OrderState.SENDING, OrderState.SENT


def order(state: OrderState) -> Order:
    return Order(
        id=1,
        request_key="k",
        made_ms=10_000,
        actor="ada",
        account_id=None,
        site_id=1,
        point_id=4,
        tag="RAISE",
        wanted=Wanted(OrderKind.PULSE, None, 60.0),
        seen="",
        seen_ms=None,
        state=state,
        state_ms=12_000,
        expires_ms=40_000,
    )


def write(value: int) -> TruthLine:
    return TruthLine(10_100, "mast", 2, 16, Table.HOLDING, 30, 1, [value], Fate.SENT)


@pytest.mark.parametrize(
    ("proof", "moment"),
    [
        (Proof(None), Moment.BEFORE),
        (Proof(STORED), Moment.STORED),
        (Proof(SENDING), Moment.CLAIMED),
        (Proof(SENDING, [WRITE]), Moment.WRITTEN),
        (Proof(SENDING, [WRITE, ANSWER]), Moment.ANSWERED),
        (Proof(SENT, [WRITE, ANSWER]), Moment.SENT),
        (Proof(SENDING, [WRITE, ANSWER, READ_BACK]), Moment.ASKED),
        # The answer passed as it died: whether the program took it is not known.
        (Proof(SENT, [WRITE, ANSWER, READ_BACK, READ]), Moment.ASKED),
        (Proof(SENT, [WRITE, ANSWER, READ_BACK, READ], went_on=True), Moment.SHOWN),
    ],
)
def test_a_kill_struck_where_row_and_bytes_say_so(proof: Proof, moment: Moment) -> None:
    assert proof.moment() is moment
    assert not proof.is_early


@pytest.mark.parametrize("state", [None, STORED])
def test_bytes_out_before_the_row_says_so_are_told_and_are_no_moment(
    state: OrderState | None,
) -> None:
    proof = Proof(state, [WRITE])
    assert proof.is_early
    assert proof.moment() is None


def test_a_kill_of_an_order_that_had_ended_struck_between_no_steps() -> None:
    assert Proof(OrderState.CONFIRMED, [WRITE, ANSWER, READ_BACK, READ]).moment() is None


def test_what_was_executed_twice_or_by_another_value_is_counted() -> None:
    killed = Killed()
    killed.add(order(OrderState.UNKNOWN), 4, [write(600)], 600)
    assert (killed.false_done, killed.doubled, killed.lost) == (0, 0, 0)
    killed.add(order(OrderState.UNKNOWN), 4, [write(600), write(600)], 600)
    assert killed.doubled == 1
    killed.add(order(OrderState.CONFIRMED), 4, [write(599)], 600)
    killed.add(order(OrderState.CONFIRMED), 4, [], 600)
    assert killed.false_done == 2
    killed.add(order(SENDING), 4, [], 600)
    killed.add(order(OrderState.UNKNOWN), 1, [], 600)  # its end is not in its history
    killed.add(None, 0, [], 600)
    assert killed.lost == 3
    assert killed.states == {"unknown": 3, "confirmed": 2, "sending": 1, "gone": 1}


def test_an_order_the_machine_was_too_slow_for_is_no_kill_and_is_looked_at_all_the_same() -> None:
    killed = Killed()
    killed.add(order(OrderState.NOT_SENT), 2, [write(600)] * 2, 600, is_late=True)
    assert (killed.kills, killed.late, killed.states) == (0, 1, {})
    assert killed.doubled == 1

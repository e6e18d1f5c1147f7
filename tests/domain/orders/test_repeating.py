"""How soon a held output may be ordered the same again, and outputs that share their proof."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.domain.orders.around import (
    IDS,
    LAMP,
    LOWER,
    MIN,
    NOW,
    OFF,
    ON,
    POINTS,
    RAISE,
    SET,
    START,
    S,
    around,
    order,
    plan,
    pulse,
    reading,
    setpoint,
    site,
    with_reading,
)

from tallymast.domain.model import FailSafe
from tallymast.domain.orders.model import Order, OrderState, Proof, Wanted
from tallymast.domain.orders.rules import Situation, refusals


def held(last: Order, point: str = "START", *, shows: float | bool = True) -> Situation:
    """Return a situation in which an output shows on after its last order."""
    of = next(one for one in POINTS if one.tag == point)
    return with_reading(
        around(of, recent=(last,), off_since_ms=None), reading(point, shows, age_ms=S // 2)
    )


# --- a held output is repeated at most every quarter of its hold time ----------------------------
# Common practice, no published source. The pump's station keeps it on for 120 s, so 30 s.


def test_an_output_its_station_holds_is_not_repeated_within_a_quarter_of_that_time() -> None:
    (told,) = refusals(ON, held(order(ON, 29_400)))  # sent 06:59:30.6, so from 07:00:00.6
    assert "Pump was ordered the same at 06:59:30" in told
    assert "its station keeps it on for 120 s without a poll" in told
    assert "it may be repeated from 07:00:01 on, in 1 s" in told
    assert refusals(ON, held(order(ON, 30_000))) == ()


def test_the_clock_time_is_the_one_on_the_wall_of_the_site() -> None:
    # 07:00:00 UTC is midnight in Denver on that day, an hour before daylight saving begins there.
    there = replace(held(order(ON, 10 * S)), zone=ZoneInfo("America/Denver"))
    assert "from 00:00:20 on, in 20 s" in refusals(ON, there)[0]


def test_a_pulse_that_runs_is_not_repeated_within_a_quarter_of_its_on_time() -> None:
    last = order(pulse(40), 9 * S, point_id=IDS["RAISE"], tag="RAISE")
    (told,) = refusals(pulse(40), held(last, "RAISE", shows=310))
    assert "runs for 40 s by that: it may be repeated from 07:00:01 on" in told
    assert refusals(pulse(20), held(last, "RAISE", shows=310)) == ()  # another on-time is another
    later = replace(last, sent_ms=NOW - 10 * S)
    assert refusals(pulse(40), held(later, "RAISE", shows=300)) == ()


@given(st.integers(0, 40_000))
def test_off_is_never_delayed_by_it(age_ms: int) -> None:
    assert refusals(OFF, held(order(ON, age_ms))) == ()
    assert refusals(OFF, held(order(OFF, age_ms))) == ()
    last = order(pulse(40), age_ms, point_id=IDS["RAISE"], tag="RAISE")
    assert refusals(OFF, held(last, "RAISE", shows=310)) == ()


@pytest.mark.parametrize(
    "state", [OrderState.UNCONFIRMED, OrderState.UNKNOWN, OrderState.CONFIRMED]
)
def test_what_may_have_been_sent_counts_as_sent(state: OrderState) -> None:
    assert "repeated from 07:00:20" in refusals(ON, held(order(ON, 10 * S, state)))[0]


@pytest.mark.parametrize("state", [OrderState.NOT_SENT, OrderState.REFUSED])
def test_what_was_never_sent_is_no_last_order(state: OrderState) -> None:
    assert refusals(ON, held(order(ON, 10 * S, state))) == ()


def test_an_output_that_fell_already_or_was_ordered_otherwise_is_not_repeated_but_started() -> None:
    fell = held(order(ON, 10 * S), shows=False)
    assert not [one for one in refusals(ON, fell) if "repeated" in one]
    between = replace(held(order(OFF, 5 * S)), recent=(order(OFF, 5 * S), order(ON, 10 * S)))
    assert refusals(ON, between) == ()


@pytest.mark.parametrize("fail_safe", [None, FailSafe("hold", 120), FailSafe("on", 120)])
def test_what_no_station_lets_fall_has_no_such_limit(fail_safe: FailSafe | None) -> None:
    point = replace(START, fail_safe=fail_safe)
    assert refusals(ON, replace(held(order(ON, 2 * S)), point=point)) == ()


def test_a_set_point_is_held_by_nothing_and_may_be_repeated() -> None:
    same = order(setpoint(60), 2 * MIN, point_id=IDS["SET"], tag="SET")
    free = replace(SET, fail_safe=FailSafe("off", 3600))
    assert refusals(setpoint(60), replace(held(same, "SET", shows=60), point=free)) == ()


def test_after_a_clock_that_was_set_back_nobody_waits_for_hours() -> None:
    ahead = held(order(ON, -60 * MIN))
    assert not [one for one in refusals(ON, ahead) if "repeated" in one]


# --- two outputs that one point proves -----------------------------------------------------------


def raising(age_ms: int, state: OrderState, wanted: Wanted | None = None, **more: object) -> Order:
    """Return an order to raise the gate; its opening, which has 120 s to move, proves lowering."""
    kind = pulse(20) if wanted is None else wanted
    return replace(order(kind, age_ms, state, point_id=IDS["RAISE"], tag="RAISE"), **more)


@pytest.mark.parametrize("state", [OrderState.STORED, OrderState.SENDING, OrderState.SENT])
@pytest.mark.parametrize("wanted", [pulse(20), OFF])
def test_an_order_to_an_output_beside_is_waited_for(state: OrderState, wanted: Wanted) -> None:
    other = raising(4 * S, state, wanted)
    (told,) = refusals(pulse(20), around(LOWER, beside=(other,)))
    assert told == (
        "Gate opening proves Raise as well as Lower, and Raise was ordered at 06:59:56 by Ada: now"
        " neither could be proven. It is still under way: wait until it has ended."
    )
    assert refusals(OFF, around(LOWER, beside=(other,))) == ()


def test_so_is_its_proof_by_its_latest_end() -> None:
    # 120 s for the gate to move and, ours, half a minute in which a fresh reading may come.
    other = raising(149_500, OrderState.CONFIRMED, feedback=Proof.WAITING)
    (told,) = refusals(pulse(20), around(LOWER, beside=(other,)))
    assert told.endswith("Its effect is waited for: that ends by 07:00:01 at the latest.")
    assert refusals(OFF, around(LOWER, beside=(other,))) == ()
    over = raising(150_000, OrderState.CONFIRMED, feedback=Proof.WAITING)
    assert refusals(pulse(20), around(LOWER, beside=(over,))) == ()


@pytest.mark.parametrize("proof", [Proof.PROVEN, Proof.NOT_PROVEN, Proof.UNKNOWN, Proof.NONE])
def test_what_is_decided_or_expired_beside_is_waited_for_no_more(proof: Proof) -> None:
    ended = raising(9 * S, OrderState.CONFIRMED, feedback=proof)
    expired = raising(30 * S, OrderState.STORED, sent_ms=None)
    assert refusals(pulse(20), around(LOWER, beside=(ended, expired))) == ()


def test_outputs_with_a_proof_of_their_own_or_none_do_not_wait_for_each_other() -> None:
    other = raising(4 * S, OrderState.SENT)
    assert refusals(ON, around(START, beside=(other,))) == ()
    assert refusals(ON, around(LAMP, beside=(other,))) == ()
    assert refusals(setpoint(60), around(SET, beside=(other,))) == ()
    alone = replace(RAISE, feedback=None)
    points = tuple(alone if one.tag == "RAISE" else one for one in POINTS)
    parted = around(LOWER, beside=(other,), plan=plan(site(points=points)))
    assert refusals(pulse(20), parted) == ()


# --- nobody sends ---------------------------------------------------------------------------------


@pytest.mark.parametrize("wanted", [ON, OFF])
def test_nothing_is_ordered_while_nobody_sends_orders_not_even_off(wanted: Wanted) -> None:
    # An off that nobody sends would leave whoever ordered it believing that it stops.
    said = "No order is sent: the order desk stands still."
    assert refusals(wanted, around(desk_words=said)) == (said,)

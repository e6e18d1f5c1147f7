"""Whether an effect is proven: a contact follows, a number moves, or nobody knows."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.domain.orders.around import (
    LAMP,
    NOW,
    OFF,
    ON,
    POS,
    RAISE,
    RUN,
    SET,
    START,
    S,
    around,
    order,
    pulse,
    reading,
    setpoint,
    site,
)

from tallymast.domain.model import Feedback, Point, Quality, Reading, WordLayout
from tallymast.domain.orders.feedback import GRACE_MS, explained, judge, least_move
from tallymast.domain.orders.model import Order, OrderState, Proof, Wanted

SENT = NOW
Rows = tuple[tuple[float, float | bool | None], ...]


def sent(wanted: Wanted = ON, **more: object) -> Order:
    return order(wanted, 0, **more)


def rows(tag: str, *found: tuple[float, float | bool | None]) -> list[Reading]:
    """Return readings of a point, each so many seconds after the order was sent."""
    return [reading(tag, value, -round(1000 * after_s)) for after_s, value in found]


@pytest.mark.parametrize(
    ("found", "now_s", "proof", "part"),
    [
        ((), 5, Proof.WAITING, "waited for, 30 s in all"),
        (((4, True),), 5, Proof.PROVEN, "running (feedback, seen after 4 s)"),
        (((4, False), (9, True)), 10, Proof.PROVEN, "seen after 9 s"),
        (((4, False), (28, False)), 29, Proof.WAITING, ""),
        (((4, False), (31, False)), 32, Proof.NOT_PROVEN, "running NOT proven after 30 s"),
        # by the first reading after its time it may have been just in time
        (((25, False), (35, True)), 36, Proof.PROVEN, "seen after 35 s"),
        (((31, False), (40, True)), 41, Proof.NOT_PROVEN, "Running shows stopped"),
        # running before the order says nothing of the order
        (((-3, True),), 5, Proof.WAITING, ""),
        (((-3, True), (31, False)), 32, Proof.NOT_PROVEN, ""),
        (((4, False),), 61, Proof.UNKNOWN, "no fresh reading of Running in time"),
        (((4, None), (31, None)), 61, Proof.UNKNOWN, "not known whether running"),
        (((100, True),), 101, Proof.UNKNOWN, ""),
    ],
)
def test_a_contact_has_to_follow_within_its_time(
    found: Rows, now_s: int, proof: Proof, part: str
) -> None:
    got, words, at_ms = judge(sent(), START, rows("RUN", *found), SENT + now_s * S, RUN)
    assert got is proof
    assert part in words
    assert (at_ms is None) is (proof is Proof.WAITING)


def test_when_it_was_proven_is_when_it_was_read() -> None:
    found = rows("RUN", (4, False), (9, True), (14, True))
    assert judge(sent(), START, found, SENT + 20 * S, RUN)[2] == SENT + 9 * S
    late = rows("RUN", (31, False))
    assert judge(sent(), START, late, SENT + 40 * S, RUN)[2] == SENT + 30 * S


def test_stopping_is_proven_by_the_contact_that_falls() -> None:
    found = rows("RUN", (4, True), (9, False))
    got, words, _ = judge(sent(OFF), START, found, SENT + 10 * S, RUN)
    assert (got, words) == (Proof.PROVEN, "stopped (feedback, seen after 9 s)")
    found = rows("RUN", (31, True))
    got, words, _ = judge(sent(OFF), START, found, SENT + 32 * S, RUN)
    assert (got, words) == (
        Proof.NOT_PROVEN,
        "stopped NOT proven after 30 s: Running shows running",
    )


def test_what_may_explain_it_is_said_besides() -> None:
    readings = {**around().readings, "AUTO": reading("AUTO", False)}
    why = explained(site(), START, readings)
    assert why == "Selector is not in Auto"
    words = judge(sent(), START, rows("RUN", (31, False)), SENT + 32 * S, RUN, why)[1]
    assert words == (
        "running NOT proven after 30 s: Running shows stopped; Selector is not in Auto"
    )
    tripped = {**around().readings, "FAULT": reading("FAULT", True)}
    assert explained(site(), START, tripped) == "Motor protection shows tripped, not healthy"
    assert explained(site(), START, around().readings) == ""
    assert explained(site(), START, {}) == ""


def test_a_reading_whose_time_is_uncertain_proves_nothing() -> None:
    doubtful = [replace(one, quality=Quality.SUSPECT) for one in rows("RUN", (4, True))]
    assert judge(sent(), START, doubtful, SENT + 5 * S, RUN)[0] is Proof.WAITING
    old = [replace(one, quality=Quality.STALE) for one in rows("RUN", (4, True))]
    assert judge(sent(), START, old, SENT + 300 * S, RUN)[0] is Proof.PROVEN


@pytest.mark.parametrize(
    "made",
    [
        sent(sent_ms=None, state=OrderState.UNKNOWN),
        sent(state=OrderState.REFUSED),
        sent(state=OrderState.NOT_SENT),
        sent(state=OrderState.STORED),
    ],
)
def test_an_order_that_never_got_there_proves_nothing(made: Order) -> None:
    found = rows("RUN", (4, True))
    assert judge(made, START, found, SENT + 5 * S, RUN) == (Proof.NONE, "", None)
    assert judge(sent(), LAMP, found, SENT + 5 * S, RUN) == (Proof.NONE, "", None)


def test_an_unconfirmed_order_may_have_had_its_effect_all_the_same() -> None:
    made = sent(state=OrderState.UNCONFIRMED)
    assert judge(made, START, rows("RUN", (4, True)), SENT + 5 * S, RUN)[0] is Proof.PROVEN


JOG = replace(RAISE, feedback=Feedback("RUN", 30))


@pytest.mark.parametrize(
    ("found", "now_s", "proof"),
    [
        (((5, True),), 6, Proof.PROVEN),
        # its 20 s are over: what is read later is not its doing
        (((25, True),), 61, Proof.UNKNOWN),
        (((25, False),), 61, Proof.UNKNOWN),
        (((5, False),), 61, Proof.UNKNOWN),  # a pump may take longer than 5 s
        (((15, False),), 16, Proof.WAITING),
        (((15, False),), 20, Proof.NOT_PROVEN),
        (((15, False), (19, True)), 20, Proof.PROVEN),
    ],
)
def test_a_short_pulse_is_judged_only_while_it_lasts(found: Rows, now_s: int, proof: Proof) -> None:
    got, words, _ = judge(sent(pulse(20)), JOG, rows("RUN", *found), SENT + now_s * S, RUN)
    assert got is proof
    if proof is Proof.NOT_PROVEN:
        assert "after 20 s" in words


@pytest.mark.parametrize(
    ("found", "now_s", "proof", "part"),
    [
        # 1 % of a span of 100 % is 1 %
        (((-30, 34.0), (60, 35.0)), 61, Proof.PROVEN, "moved by 1 % to 35 % (feedback, seen"),
        (((-30, 34.0), (60, 33.0)), 61, Proof.PROVEN, "moved by 1 % to 33 %"),
        (((-30, 34.0), (60, 34.9)), 61, Proof.WAITING, ""),
        (((-30, 34.0), (60, 34.9), (121, 34.9)), 122, Proof.NOT_PROVEN, "by 0.9 %, at least 1 %"),
        # nobody knows where it stood before: the first reading after has to do
        (((5, 34.0), (60, 36.0)), 61, Proof.PROVEN, "moved by 2 %"),
        (((5, 34.0), (121, 34.0)), 122, Proof.NOT_PROVEN, ""),
        (((121, 36.0),), 200, Proof.UNKNOWN, "no fresh reading of Gate opening"),
        (((-30, 34.0),), 151, Proof.UNKNOWN, ""),
        ((), 10, Proof.WAITING, "Gate opening moves: waited for, 120 s in all"),
    ],
)
def test_a_gate_has_to_move_by_one_percent_of_its_span(
    found: Rows, now_s: int, proof: Proof, part: str
) -> None:
    got, words, _ = judge(sent(pulse(15)), RAISE, rows("POS", *found), SENT + now_s * S, POS)
    assert got is proof
    assert part in words


@pytest.mark.parametrize(
    ("watched", "least"),
    [
        (POS, 1.0),
        (replace(POS, deadband=2.5), 2.5),
        (replace(POS, raw=None, value=None), 655.35),  # 1 % of 65 535
        (replace(POS, raw=None, value=None, layout=WordLayout.FLOAT32, length=2), None),
    ],
)
def test_how_far_a_number_has_to_move(watched: Point, least: float | None) -> None:
    assert least_move(watched) == (None if least is None else pytest.approx(least))


def test_where_nothing_says_how_far_nothing_is_claimed() -> None:
    bare = replace(POS, raw=None, value=None, layout=WordLayout.FLOAT32, length=2)
    found = rows("POS", (-30, 34.0), (60, 99.0))
    for watched in (bare, None):  # None: the feedback point was not handed over
        got, words, _ = judge(sent(pulse(15)), RAISE, found, SENT + 61 * S, watched)
        assert got is Proof.UNKNOWN
        assert "write its deadband" in words
    contact = rows("RUN", (4, True))
    assert judge(sent(), START, contact, SENT + 5 * S)[0] is Proof.PROVEN


def test_an_ended_pulse_is_proven_by_standing_still() -> None:
    found = rows("POS", (-5, 30.0), (3, 34.0), (8, 36.0), (13, 36.2))
    got, words, at_ms = judge(sent(OFF), RAISE, found, SENT + 14 * S, POS)
    assert (got, at_ms) == (Proof.PROVEN, SENT + 13 * S)
    assert "stands still at 36.2 %" in words


def test_an_output_switched_off_is_proven_by_a_fall_or_by_the_bottom() -> None:
    valve = replace(START, feedback=Feedback("POS", 30))
    lies = rows("POS", (-5, 0.2), (5, 0.2))
    assert "bottom of its span" in judge(sent(OFF), valve, lies, SENT + 6 * S, POS)[1]
    runs_on = rows("POS", (-5, 60.0), (5, 60.1), (31, 60.0))  # steady is not stopped
    assert judge(sent(OFF), valve, runs_on, SENT + 32 * S, POS)[0] is Proof.NOT_PROVEN


def test_a_set_point_is_proven_where_its_value_is_already() -> None:
    crest = replace(SET, feedback=Feedback("POS", 30))
    there = rows("POS", (-5, 60.2), (5, 60.2))
    assert judge(sent(setpoint(60)), crest, there, SENT + 6 * S, POS)[0] is Proof.PROVEN
    far = rows("POS", (-5, 50.0), (31, 50.0))
    assert judge(sent(setpoint(60)), crest, far, SENT + 32 * S, POS)[0] is Proof.NOT_PROVEN


found_rows = st.lists(st.tuples(st.integers(-60, 200), st.booleans()), max_size=8)


@given(found_rows, st.integers(0, 300))
def test_proven_needs_a_reading_that_says_so_after_the_order(
    found: list[tuple[int, bool]], now_s: int
) -> None:
    seen = [one for one in found if one[0] <= now_s]
    got, _, _ = judge(sent(), START, rows("RUN", *seen), SENT + now_s * S, RUN)
    after = [value for at, value in seen if at > 0]
    if got is Proof.PROVEN:
        assert True in after
    if got is Proof.NOT_PROVEN:
        assert False in after
    if not after:
        over = now_s * S >= 30 * S + GRACE_MS
        assert got is (Proof.UNKNOWN if over else Proof.WAITING)

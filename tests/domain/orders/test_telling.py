"""What is said before an order and after it: an output and its effect are two statements."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from tests.domain.orders.around import (
    LAMP,
    MIN,
    NOW,
    OFF,
    ON,
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
    state,
    with_reading,
)

from tallymast.domain.model import Act, FailSafe, GatewayState, GatewayStatus, SiteStatus
from tallymast.domain.orders.limits import longest_pulse_s, offered_pulse_s
from tallymast.domain.orders.model import Order, OrderKind, OrderState, Proof, Wanted
from tallymast.domain.orders.telling import cautions, happens, said, words_of
from tallymast.domain.orders.wording import ago_words, left_words, span_words


def told(sentences: tuple[str, ...], part: str) -> str:
    """Return the one sentence with a part in it."""
    found = [one for one in sentences if part in one]
    assert len(found) == 1, sentences
    return found[0]


@pytest.mark.parametrize(
    ("wanted", "point", "words"),
    [
        (ON, START, "on"),
        (OFF, replace(START, words=("shut", "open")), "shut"),
        (pulse(900), replace(RAISE, max_s=None), "on for 15 min"),
        (pulse(12.39), RAISE, "on for 12.3 s"),  # as its counts of 0.1 s can hold it
        (OFF, RAISE, "off, ended now"),
        (setpoint(42.5), SET, "set to 42.5 %"),
    ],
)
def test_what_is_wanted_in_a_few_words(wanted: Wanted, point: object, words: str) -> None:
    assert words_of(wanted, point) == words  # type: ignore[arg-type]


def test_spans_are_said_as_people_say_them() -> None:
    spans = {12.3: "12.3 s", 60: "60 s", 120: "120 s", 150: "2 min 30 s", 900: "15 min"}
    assert {one: span_words(one) for one in spans} == spans
    assert span_words(5400) == "1 h 30 min"
    assert (left_words(1), left_words(299_001)) == ("1 s", "5 min")  # never too early
    assert [ago_words(one * S) for one in (2, 240, 93_600)] == ["2 s", "4 min", "26 h"]


def test_what_happens_to_a_pump_says_what_is_written_and_what_it_falls_back_to() -> None:
    sentences = happens(ON, around())
    assert sentences[0] == (
        "Pump at Dunlin Booster goes on: coil 0 (00001) is written by function 15."
    )
    assert told(sentences, "It shows") == "It shows off, read at 06:59:58."
    assert told(happens(OFF, around()), "It shows") == (
        "It shows off already, read at 06:59:58: a read-back that shows the same proves no change."
    )
    assert told(sentences, "hears nothing") == (
        "If the station hears nothing for 120 s it drops to off by itself; Tallymast polls it"
        " every 10 s."
    )
    assert "Running has to show running within 30 s" in told(sentences, "statement of its own")
    assert told(sentences, "sent within 30 s or not at all")


def test_a_pulse_ends_itself_even_if_contact_is_lost() -> None:
    sentences = happens(pulse(12.39), around(RAISE))
    assert "counts 12.3 s down and ends it itself, also if contact is lost" in told(
        sentences, "counts 12.3 s down"
    )
    assert "its counts last 0.1 s each" in told(sentences, "12.39 s was asked for")
    assert "nothing changes, and an on-time still ends" in told(sentences, "hears nothing for")
    assert "Gate opening has to move within 120 s" in told(sentences, "Gate opening")
    assert not [one for one in happens(ON, around()) if "contact is lost" in one]


def test_what_is_not_known_is_said_as_such() -> None:
    sentences = happens(ON, around(LAMP))
    assert "fail-safe state" in told(sentences, "is not known")
    assert "register only" in told(sentences, "No point proves what Yard lamp does")
    seldom = plan(site(poll_every_s=120.0))
    assert told(happens(ON, around(plan=seldom)), "too seldom")


def test_stopping_blindly_is_told_to_be_blind() -> None:
    blind = with_reading(around(), reading("START", True, 4 * MIN))
    blind = replace(blind, state=state(status=SiteStatus.COMM_FAIL))
    sentences = happens(OFF, blind)
    assert "last read at 06:56:00" in told(sentences, "Whether it is on is not known")
    assert "ends as not confirmed" in told(sentences, "in comm fail")


def test_cautions_speak_of_people_first_and_never_of_safe() -> None:
    noted = plan(site(cautions=("rotating machinery", "open water")))
    minded = around(plan=noted, visitors=("Cal checked in at 06:40.",))
    sentences = cautions(ON, minded)
    assert "without warning" in sentences[0]
    assert sentences[1] == "Cal checked in at 06:40."
    assert "Speak with them" in sentences[2]
    assert told(sentences, "Noted for") == (
        "Noted for Dunlin Booster: rotating machinery; open water."
    )
    assert told(sentences, "Open water is noted")
    assert told(sentences, "no safety function")
    assert "OSHA 29 CFR 1910.147 or local law" in told(sentences, "not a lock-out")
    assert not [one for one in sentences if "safe to" in one.lower()]


@pytest.mark.parametrize("noted", [(), ("produced water tank",)])
def test_open_water_is_spoken_of_only_where_it_is_noted(noted: tuple[str, ...]) -> None:
    sentences = cautions(ON, around(plan=plan(site(cautions=noted))))
    assert not [one for one in sentences if "Open water" in one]


def test_more_is_minded_where_there_is_reason() -> None:
    working = around(plan=replace(plan(), act=Act.MAINTENANCE))
    assert told(cautions(ON, working), "in maintenance")
    two = with_reading(around(RAISE), replace(reading("LOWER", 32.0), raw=32))
    assert "Lower, proven by the same point, shows 3.2 s left to run" in told(
        cautions(pulse(5), two), "against each other"
    )
    assert told(cautions(ON, around()), "Motor protection was healthy when it was read")
    for tripped in (reading("FAULT", True), reading("FAULT", False, 4 * MIN)):
        minded = cautions(ON, with_reading(around(), tripped))
        assert not [one for one in minded if "when it was read" in one]
    strangers = GatewayState(1, GatewayStatus.CONNECTED, NOW, sentence="Somebody else polls.")
    assert told(cautions(ON, around(gateway=strangers)), "Somebody else polls.")
    assert told(cautions(ON, around(starts_last_hour=None)), "How often Pump started")
    held = replace(START, fail_safe=FailSafe("on", 60))
    assert told(cautions(OFF, around(held)), "safer state")
    assert not [one for one in cautions(OFF, around()) if "safer state" in one]


def ended(state: OrderState, wanted: Wanted = ON, **more: object) -> Order:
    return order(wanted, 10 * S, state, **more)


def test_the_order_of_the_booster_is_told_in_two_statements() -> None:
    said_of_it = "running NOT proven after 30 s: Running shows stopped; Selector is not in Auto"
    done = ended(
        OrderState.CONFIRMED,
        readback=1.0,
        readback_ms=NOW,
        feedback=Proof.NOT_PROVEN,
        feedback_said=said_of_it,
    )
    # 07:00 UTC is midnight in Denver, before the clocks go forward at 2 (8 March 2026).
    zone = ZoneInfo("America/Denver")
    assert said(done, START, zone) == ("output on (read back 00:00:00)", said_of_it)
    assert said(done, START)[0] == "output on (read back)"


@pytest.mark.parametrize(
    ("done", "point", "words"),
    [
        (
            ended(OrderState.CONFIRMED, pulse(60), readback=59.5),
            RAISE,
            "output on for 60 s (read back, 59.5 s left to run)",
        ),
        (
            ended(OrderState.UNCONFIRMED, readback=0.0),
            START,
            "output NOT confirmed on: read back off",
        ),
        (
            ended(OrderState.UNCONFIRMED, pulse(2), readback=0.0),
            RAISE,
            "output NOT confirmed on for 2 s: read back off, over already or never begun",
        ),
        (
            ended(OrderState.UNCONFIRMED),
            START,
            "output NOT confirmed on: nothing could be read back",
        ),
        (
            ended(OrderState.UNCONFIRMED, setpoint(60), readback=50.0),
            SET,
            "output NOT confirmed set to 60 %: read back 50 %",
        ),
        (
            ended(OrderState.REFUSED, reason="exception 02"),
            START,
            "on was refused: exception 02",
        ),
        (ended(OrderState.NOT_SENT, reason="expired"), START, "on was not sent: expired"),
        (
            ended(OrderState.UNKNOWN),
            START,
            "UNKNOWN whether on was sent, and it is not sent again by itself",
        ),
        (ended(OrderState.STORED), START, "on is stored and waits to be sent"),
    ],
)
def test_each_end_of_an_order_is_told_for_what_it_is(
    done: Order, point: object, words: str
) -> None:
    assert said(done, point) == (words,)  # type: ignore[arg-type]


def test_every_state_and_every_proof_has_words() -> None:
    for one in OrderState:
        for kind in (ON, OFF):
            assert said(ended(one, kind), START)
    for proof in Proof:
        statements = said(ended(OrderState.CONFIRMED, feedback=proof), START)
        assert len(statements) == (1 if proof is Proof.NONE else 2)


def test_an_on_time_of_a_quarter_hour_is_offered_or_less() -> None:
    # Defaults: offered 15 min, cap 60 min (common practice, no published source).
    free = replace(RAISE, max_s=None)
    assert (offered_pulse_s(free), longest_pulse_s(free)) == (900, 3600)
    assert (offered_pulse_s(RAISE), longest_pulse_s(RAISE)) == (60, 60)
    assert longest_pulse_s(replace(RAISE, max_s=6000.0)) == 6000
    # 65 535 counts of 0.01 s
    assert longest_pulse_s(replace(free, seconds_per_count=0.01)) == pytest.approx(655.35)
    assert Wanted(OrderKind.PULSE, None, 60.0) == pulse(60)

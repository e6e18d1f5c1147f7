"""What an order is refused for, sentence by sentence, and that stopping stays possible."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.domain.orders.around import (
    LAMP,
    MIN,
    NOW,
    OFF,
    ON,
    RAISE,
    RUN,
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
    tag_out,
    with_reading,
)

from tallymast.domain.model import (
    Act,
    GatewayState,
    GatewayStatus,
    Point,
    Quality,
    SiteStatus,
    Table,
    WordLayout,
    WriteTarget,
)
from tallymast.domain.orders.model import OrderKind, OrderState, Wanted
from tallymast.domain.orders.rules import (
    TOKEN_MS,
    VALIDITY_MS,
    Situation,
    choices,
    refusals,
    wrong,
)

Change = Callable[[Situation], Situation]


def gateway(status: GatewayStatus, sentence: str = "") -> Change:
    made = GatewayState(1, status, NOW, sentence=sentence)
    return lambda before: replace(before, gateway=made)


def changed(**fields: object) -> Change:
    return lambda before: replace(before, **fields)


def stood(**fields: object) -> Change:
    return lambda before: replace(before, state=state(**fields))


def read(tag: str, value: float | bool | None, age_ms: int = 2 * S) -> Change:
    return lambda before: with_reading(before, reading(tag, value, age_ms))


def suspect(tag: str, value: float | bool) -> Change:
    late = replace(reading(tag, value), quality=Quality.SUSPECT, reason="an answer came late")
    return lambda before: with_reading(before, late)


def unread(tag: str) -> Change:
    def change(before: Situation) -> Situation:
        return replace(before, readings={k: v for k, v in before.readings.items() if k != tag})

    return change


def acted(act: Act) -> Change:
    return lambda before: replace(before, plan=replace(before.plan, act=act))


ECHO = "Mast: our own bytes come back, but local_echo is false; nothing is written there."
STRANGERS = "Mast: answers come that nobody here has asked for; somebody else polls."

# --- nothing is refused where nothing is against it -----------------------------------------


@pytest.mark.parametrize(
    ("point", "wanted"),
    [
        (START, ON),
        (START, OFF),
        (LAMP, ON),
        (RAISE, pulse(15)),
        (RAISE, OFF),
        (SET, setpoint(60)),
    ],
)
def test_nothing_is_against_an_order_in_a_quiet_situation(point: Point, wanted: Wanted) -> None:
    assert refusals(wanted, around(point)) == ()


# --- what stops every order, stopping included -----------------------------------------------

ALWAYS: list[tuple[Change, str]] = [
    (acted(Act.NOT_POLLED), "is not polled on purpose"),
    (stood(status=SiteStatus.NOT_POLLED), "is not polled"),
    (changed(plan=plan(site(in_service=False))), "not in service"),
    (changed(state=None), "has never answered"),
    (stood(status=SiteStatus.NEVER_ANSWERED, last_answer_ms=None), "has never answered"),
    (changed(gateway=None), "not connected yet"),
    (gateway(GatewayStatus.STARTING), "not connected yet"),
    (gateway(GatewayStatus.UNREACHABLE, "No route."), "not connected. No route."),
    (gateway(GatewayStatus.CONNECTED, ECHO), "own bytes come back"),
    (changed(storage_words="the disk is full."), "cannot be stored now"),
    (changed(tags=(tag_out(),)), "hung by Bea Sat 7 Mar 05:00: lifting chain replaced. Nothing"),
    (changed(tags=(tag_out(point_id=None, tag=""),)), "tag on Dunlin Booster, hung"),
]


@pytest.mark.parametrize(("change", "part"), ALWAYS)
@pytest.mark.parametrize("wanted", [ON, OFF], ids=["on", "off"])
def test_what_makes_sending_impossible_or_forbidden_refuses_every_order(
    wanted: Wanted, change: Change, part: str
) -> None:
    told = refusals(wanted, change(around()))
    assert len(told) == 1, told  # one line a cause
    assert part in told[0]
    assert told[0].endswith(".")


def test_a_tag_says_what_to_do_instead_of_switching_off() -> None:
    (told,) = refusals(OFF, around(tags=(tag_out(),)))
    assert "not even off: stop it at the site" in told
    assert "by who hung it or by a supervisor" in told
    assert "not a lock-out" in told


@pytest.mark.parametrize(
    "harmless",
    [
        changed(tags=(tag_out(removed_ms=NOW - MIN),)),
        changed(tags=(tag_out(point_id=999, tag="RAISE"),)),
        changed(tags=(tag_out(site_id=8, point_id=None),)),
        gateway(GatewayStatus.CONNECTED, STRANGERS),
        acted(Act.MAINTENANCE),
        stood(status=SiteStatus.MAINTENANCE),
    ],
)
def test_tags_elsewhere_or_taken_off_strangers_and_maintenance_refuse_nothing(
    harmless: Change,
) -> None:
    assert refusals(ON, harmless(around())) == ()


# --- what guards starting, and never stopping ------------------------------------------------

GUARDS: list[tuple[Change, str]] = [
    (stood(status=SiteStatus.COMM_FAIL, last_answer_ms=NOW - 4 * MIN), "last answer 06:56:00"),
    (stood(probe_s=20.0, missed_in_row=2, status=SiteStatus.MAINTENANCE), "in comm fail"),
    (gateway(GatewayStatus.MUTE, "Nothing answers."), "Nothing answers."),
    # 2 polls of 10 s are 20 s, so 30 s is the limit (common practice, no published source)
    (read("START", False, 31 * S), "last read at 06:59:29; it may be acted on for 30 s"),
    (read("START", False, -31 * S), "before the clock was set back"),
    (read("START", None, 5 * S), "has no value, read at 06:59:55: no word"),
    (suspect("START", False), "doubtful, read at 06:59:58: an answer came late"),
    (unread("START"), "has no value: not read yet"),
    (read("FAULT", True), "only operated while Motor protection is healthy; it is tripped"),
    (
        read("FAULT", False, 31 * S),
        "not known. Motor protection was last read at 06:59:29",
    ),
    (read("FAULT", None), "and that is not known. Motor protection has no value"),
    (suspect("FAULT", False), "and that is not known"),
    (unread("FAULT"), "and that is not known"),
    (read("AUTO", False), "Selector is not in Auto, it shows hand or off"),
    (read("AUTO", True, 31 * S), "Whether Selector is in Auto is not known. Selector was last"),
    (unread("AUTO"), "Whether Selector is in Auto is not known"),
    # 300 s - 110 s = 190 s
    (changed(off_since_ms=NOW - 110 * S), "at least 5 min: 3 min 10 s left"),
    (changed(off_since_ms=NOW - 299_001), "1 s left"),
    (changed(off_since_ms=None), "the record does not reach back 5 min"),
    (changed(starts_last_hour=6), "started 6 times in the last hour, and 6 times is the most"),
    (changed(recent=(order(ON, 1 * S),)), "was not read since the order of 06:59:59"),
]


@pytest.mark.parametrize(("change", "part"), GUARDS)
def test_a_guard_refuses_starting_once_and_stopping_never(change: Change, part: str) -> None:
    situation = change(around())
    told = refusals(ON, situation)
    assert len(told) == 1, told
    assert part in told[0]
    assert refusals(OFF, situation) == ()


def test_all_guards_together_do_not_keep_anybody_from_stopping() -> None:
    situation = around()
    for change, _ in GUARDS:
        situation = change(situation)
    assert refusals(ON, situation) != ()
    assert refusals(OFF, situation) == ()


@pytest.mark.parametrize(
    "within",
    [
        read("START", False, 30 * S),
        read("FAULT", False, 30 * S),
        changed(off_since_ms=NOW - 300 * S),
        changed(starts_last_hour=5),
        changed(starts_last_hour=None),  # told as a caution; the minimum off time holds
        changed(recent=(order(OFF, 6 * S),)),
    ],
)
def test_at_its_very_limit_nothing_is_refused(within: Change) -> None:
    assert refusals(ON, within(around())) == ()


def test_a_slow_site_has_two_polls_to_be_young_in() -> None:
    slow = changed(plan=plan(site(poll_every_s=60.0)))
    readings = {tag: replace(one, at_ms=NOW - 120 * S) for tag, one in around().readings.items()}
    old_enough = replace(slow(around()), readings=readings)
    assert refusals(ON, old_enough) == ()
    too_old = replace(old_enough, now_ms=NOW + 1)
    assert "acted on for 120 s" in refusals(ON, too_old)[0]


def test_what_is_on_already_is_not_started_by_being_ordered_on() -> None:
    running = around(off_since_ms=None, starts_last_hour=9)
    assert refusals(ON, read("START", True)(running)) == ()
    assert len(refusals(ON, running)) == 2


# --- starts an hour --------------------------------------------------------------------------


def starts(*ages_min: float, wanted: Wanted = ON) -> tuple[object, ...]:
    both = (
        (order(wanted, round(age * MIN)), order(OFF, round(age * MIN) - MIN)) for age in ages_min
    )
    pairs = [one for pair in both for one in pair]
    return tuple(sorted(pairs, key=lambda one: -one.made_ms))


@pytest.mark.parametrize(
    ("count", "recent", "part"),
    [
        # six known by their orders: the oldest, 50 min ago, leaves the hour in 10 min
        (6, starts(6.5, 15, 25, 30, 40, 50), "may be in 10 min."),
        # one more than may be: the two oldest have to leave, 40 min ago, so 20 min
        (6, starts(6.5, 15, 25, 30, 35, 40, 50), "started 7 times in the last hour"),
        (6, starts(6.5, 15, 25, 30, 35, 40, 50), "may be in 20 min."),
        # four were made there by hand: the oldest known leaves in 35 min at the latest
        (6, starts(15, 25), "may be in at most 35 min."),
        (6, (), "may be in at most 1 h."),
        (None, starts(6.5, 15, 25, 30, 40, 50), "may be in 10 min."),
    ],
)
def test_it_is_told_when_the_next_start_may_be(
    count: int | None, recent: tuple[object, ...], part: str
) -> None:
    (told,) = refusals(ON, around(starts_last_hour=count, recent=recent))
    assert part in told


@pytest.mark.parametrize(
    "recent",
    [
        tuple(order(ON, age * MIN) for age in (7, 15, 25, 30, 40, 50)),  # on again while on
        starts(7, 15, 25, 30, 40, 61),
        tuple(order(ON, n * MIN, OrderState.REFUSED) for n in (7, 15, 25, 30, 40, 50)),
        tuple(order(ON, n * MIN, OrderState.NOT_SENT, sent_ms=None) for n in (7, 15, 25, 30, 40)),
    ],
)
def test_orders_that_started_nothing_are_no_starts(recent: tuple[object, ...]) -> None:
    assert refusals(ON, around(starts_last_hour=0, recent=recent)) == ()


@pytest.mark.parametrize("unsure", [OrderState.UNKNOWN, OrderState.UNCONFIRMED])
def test_a_start_nobody_is_sure_of_counts(unsure: OrderState) -> None:
    made = [replace(one, state=unsure) for one in starts(7, 15, 25, 30, 40, 50)]
    (told,) = refusals(ON, around(starts_last_hour=0, recent=tuple(made)))
    assert "6 times" in told


# --- which outputs the usual limits hold for -------------------------------------------------


def test_only_where_a_motor_runs_do_the_usual_limits_hold() -> None:
    restless = {"off_since_ms": NOW - MIN, "starts_last_hour": 9}
    bare = replace(START, min_off_s=None, starts_per_hour=None, interlock=None)
    named = {
        "selector": replace(bare, feedback=None),
        "proof": replace(bare, auto=None),
    }
    for point in named.values():
        assert len(refusals(ON, around(point, **restless))) == 2
    assert refusals(ON, around(replace(bare, feedback=None, auto=None), **restless)) == ()
    assert refusals(pulse(5), around(RAISE, **restless)) == ()  # proven by a position
    written = replace(LAMP, min_off_s=90)
    (told,) = refusals(ON, around(written, **restless))
    assert "at least 90 s: 30 s left" in told
    rare = replace(LAMP, starts_per_hour=0.5)  # one in 2 h
    (told,) = refusals(ON, around(rare, off_since_ms=NOW - 90 * MIN, starts_last_hour=0))
    assert "at least 2 h: 30 min left" in told


# --- another order ---------------------------------------------------------------------------


@pytest.mark.parametrize("running", [OrderState.STORED, OrderState.SENDING, OrderState.SENT])
def test_an_order_waits_for_the_one_before_but_off_only_for_another_off(
    running: OrderState,
) -> None:
    before = order(ON, 1 * S, running, made_ms=NOW - 5 * S)
    (told,) = refusals(ON, around(recent=(before,)))
    assert "made 06:59:55 by Ada, is still under way" in told
    assert refusals(OFF, around(recent=(before,))) == ()
    off = replace(before, wanted=OFF)
    assert "still under way" in refusals(OFF, around(recent=(off,)))[0]


def test_what_has_ended_or_expired_is_not_under_way() -> None:
    expired = order(ON, 30 * S, OrderState.STORED, sent_ms=None)
    assert refusals(ON, around(recent=(expired,))) == ()
    ended = tuple(order(ON, 20 * MIN, one) for one in OrderState if one.is_over)
    assert refusals(ON, around(recent=ended)) == ()


# --- set-points ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("want", "part"),
    [
        (9.9, "9.9 % is outside what Weir crest may be set to: 10 % to 90 %"),
        (90.1, "10 % to 90 %"),
        (float("nan"), "takes a number"),
        (float("inf"), "takes a number"),
        # 20 % a minute from 50 %: 30 to 70 may be set
        (70.1, "by 20.1 % within a minute, and 20 % is the most: 30 % to 70 % may be set"),
        (29.9, "30 % to 70 %"),
    ],
)
def test_a_set_point_out_of_range_or_too_far_away_is_refused(want: float, part: str) -> None:
    (told,) = refusals(setpoint(want), around(SET))
    assert part in told


@pytest.mark.parametrize("want", [30.0, 50.0, 70.0])
def test_a_set_point_within_range_and_rate_may_go(want: float) -> None:
    assert refusals(setpoint(want), around(SET)) == ()


def test_orders_of_the_last_minute_count_into_the_rate() -> None:
    # It stood at 40 %, was set to 55 % 20 s ago and shows that: 35 to 60 may be set now.
    recent = (order(setpoint(55), 20 * S), order(setpoint(40), 30 * MIN))
    situation = around(SET, recent=recent)
    situation = with_reading(situation, reading("SET", 55.0))
    assert refusals(setpoint(60), situation) == ()
    assert refusals(setpoint(35), situation) == ()
    (told,) = refusals(setpoint(61), situation)
    assert "35 % to 60 % may be set; more in 40 s" in told
    later = replace(situation, recent=(order(setpoint(55), 60 * S), recent[1]))
    assert refusals(setpoint(75), later) == ()


def test_a_step_within_the_minute_from_nobody_knows_where_waits_it_out() -> None:
    situation = with_reading(
        around(SET, recent=(order(setpoint(55), 20 * S),)), reading("SET", 55.0)
    )
    (told,) = refusals(setpoint(55), situation)
    assert "from what is not known: more in 40 s" in told


def test_the_scale_bounds_a_set_point_where_no_range_is_written() -> None:
    bare = replace(SET, set_range=None, set_rate=None)
    assert wrong(bare, setpoint(100)) == ""
    assert "0 % to 100 %" in wrong(bare, setpoint(100.1))
    counts = replace(bare, raw=None, value=None, unit="")
    assert wrong(counts, setpoint(65_535)) == ""
    assert "0 to 65535" in wrong(counts, setpoint(65_536))
    anything = replace(
        counts, layout=WordLayout.FLOAT32, length=2, write=WriteTarget(Table.HOLDING, 32, 16)
    )
    assert "Write set_range" in wrong(anything, setpoint(1))
    assert wrong(replace(anything, set_range=(0, 5)), setpoint(1)) == ""


# --- what is no order at all -----------------------------------------------------------------


def test_a_pulse_is_offered_first_and_can_be_ended() -> None:
    assert choices(RAISE) == (OrderKind.PULSE, OrderKind.OFF)
    assert choices(START) == (OrderKind.ON, OrderKind.OFF)
    assert choices(SET) == (OrderKind.SETPOINT,)
    assert choices(RUN) == ()
    assert choices(replace(START, write=None)) == ()


@pytest.mark.parametrize(
    ("point", "wanted", "part"),
    [
        (RUN, ON, "no output that is written"),
        (START, setpoint(1), "Pump takes on or off, not a set-point"),
        (RAISE, ON, "Raise takes an on-time or off, not on"),
        (START, Wanted(OrderKind.ON, 0.0), "On is written as 1"),
        (START, Wanted(OrderKind.OFF, 1.0), "Off is written as 0"),
        (START, Wanted(OrderKind.ON, 1.0, 60.0), "An on-time belongs to a pulse"),
        (RAISE, pulse(60.1), "60.1 s is longer than Raise may be on at once: 60 s at most"),
        (RAISE, pulse(0), "more than 0"),
        (RAISE, pulse(float("nan")), "more than 0"),
        (RAISE, Wanted(OrderKind.PULSE), "on-time in seconds"),
        (RAISE, pulse(0.05), "The shortest on-time of Raise is 0.1 s"),
        # 60 min where nothing is written, but 65 535 counts of 0.01 s are only 655.35 s
        (replace(RAISE, max_s=None), pulse(3601), "1 h at most"),
        (replace(RAISE, max_s=None, seconds_per_count=0.01), pulse(700), "10 min 55 s at most"),
    ],
)
def test_an_order_that_makes_no_sense_is_refused_whatever_the_time(
    point: Point, wanted: Wanted, part: str
) -> None:
    assert part in wrong(point, wanted)
    assert refusals(wanted, around(point))[0] == wrong(point, wanted)


def test_the_times_an_order_lives_by() -> None:
    # Defaults: validity 30 s, confirm token 60 s (common practice, no published source).
    assert (VALIDITY_MS, TOKEN_MS) == (30_000, 60_000)


# --- for whatever may happen -----------------------------------------------------------------

ages = st.integers(0, 90 * MIN)


@given(st.sampled_from([START, LAMP]), st.data())
def test_stopping_is_never_refused_while_it_can_be_sent(point: Point, data: st.DataObject) -> None:
    situation = around(
        point,
        off_since_ms=data.draw(st.none() | ages.map(lambda age: NOW - age)),
        starts_last_hour=data.draw(st.none() | st.integers(0, 30)),
        recent=tuple(order(ON, age) for age in sorted(data.draw(st.lists(ages, max_size=8)))),
    )
    for tag in ("START", "LAMP", "FAULT", "AUTO", "RUN"):
        value = data.draw(st.sampled_from([True, False, None]))
        situation = with_reading(situation, reading(tag, value, data.draw(ages)))
    status = data.draw(st.sampled_from([SiteStatus.IN_SERVICE, SiteStatus.COMM_FAIL]))
    assert refusals(OFF, replace(situation, state=state(status=status))) == ()


@given(ages, ages)
def test_waiting_longer_never_brings_a_refusal(off_ms: int, longer_ms: int) -> None:
    before = refusals(ON, around(off_since_ms=NOW - off_ms))
    after = refusals(ON, around(off_since_ms=NOW - off_ms - longer_ms))
    assert len(after) <= len(before)

"""Deviation, rate of change, totalizer, feedback, order: abnormal, normal, unknown."""

from dataclasses import replace

import pytest
from tests.domain.alarms.around import DOOR, LEVEL, NOW, around, reading, site, standing, state

from tallymast.domain.alarms.conditions import Around, seen_of
from tallymast.domain.alarms.counting import Count, Counted, counted
from tallymast.domain.alarms.delay_defaults import LEVEL as LEVEL_USUAL
from tallymast.domain.alarms.delay_defaults import OTHER, usual_of
from tallymast.domain.alarms.model import Alarm, AlarmState, Condition, Kind, Seen, Standing
from tallymast.domain.alarms.moving import Trace
from tallymast.domain.alarms.paired import Switched, switched
from tallymast.domain.alarms.setting_up import alarms_of
from tallymast.domain.alarms.stepping import look
from tallymast.domain.model import (
    Deviation,
    FailSafe,
    Feedback,
    Network,
    Point,
    PointKind,
    Priority,
    Quality,
    RateLimit,
    Table,
    WordLayout,
    WriteTarget,
)
from tallymast.domain.orders.model import Order, OrderKind, OrderState, Wanted

ABNORMAL, NORMAL, UNKNOWN = Condition.ABNORMAL, Condition.NORMAL, Condition.UNKNOWN
MIN, HOUR = 60_000, 3_600_000

TWIN = replace(LEVEL, tag="LVL2", name="Second gauge", register=9)
WATCHED = replace(
    LEVEL, deviation=Deviation("LVL2", 0.2), rate_limit=RateLimit(rise=2.0, fall=1.5, over_s=600)
)
TOTAL = Point(
    "TOT", "Meter", PointKind.TOTALIZER, Table.INPUT, 4, WordLayout.UINT16, modulus=65_536
)
RESTARTS = Point("RST", "Restarts", PointKind.COUNTER, Table.INPUT, 6, WordLayout.UINT16)
RUN = replace(DOOR, tag="RUN", name="Run", words=("stopped", "running"), alarm_when=None)
AUTO = replace(RUN, tag="AUTO", name="Selector", words=("hand", "auto"))
PUMP = Point(
    "START",
    "Pump",
    PointKind.DISCRETE_OUTPUT,
    Table.COIL,
    0,
    WordLayout.BOOL,
    write=WriteTarget(Table.COIL, 0, 15),
    feedback=Feedback("RUN", 30.0),
    auto="AUTO",
)
STATION = site(points=(WATCHED, TWIN, TOTAL, RESTARTS, RUN, AUTO, PUMP))
MADE = {one.key: one for one in alarms_of(Network("", "UTC", 6, "UTC", (), (), (STATION,)))}


def alarm(name: str) -> Alarm:
    return MADE[f"upper-weir/{name}"]


def seen(name: str, *readings: object, now: Around | None = None) -> Seen:
    here = around(standing(STATION, *readings))  # type: ignore[arg-type]
    return seen_of(alarm(name), replace(now or here, sites=here.sites))


# --- deviation ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("other", "condition", "back"),
    [(3.2, ABNORMAL, False), (2.8, ABNORMAL, False), (3.19, NORMAL, True), (3.1, NORMAL, False)],
)
def test_two_gauges_may_part_by_so_much(other: float, condition: Condition, back: bool) -> None:
    found = seen("LVL/deviation", reading("LVL", 3.0), reading("LVL2", other))
    assert (found.condition, found.back) == (condition, back)


def test_a_deviation_rests_on_the_older_of_both_and_on_both() -> None:
    older = reading("LVL2", 3.5, at_ms=NOW - 90_000)
    assert seen("LVL/deviation", reading("LVL", 3.0), older).at_ms == NOW - 90_000
    assert seen("LVL/deviation", reading("LVL", 3.0)).condition is UNKNOWN
    stale = replace(older, quality=Quality.STALE)
    assert seen("LVL/deviation", reading("LVL", 3.0), stale).condition is UNKNOWN


# --- rate of change ----------------------------------------------------------------------------


def trace(*values: float, every_ms: int = MIN) -> Trace:
    made = Trace()
    for n, value in enumerate(values):
        made = made.followed(NOW + n * every_ms, value, 600)
    return made


def rate(name: str, made: Trace) -> Seen:
    last = reading("LVL", made.readings[-1][1], at_ms=made.readings[-1][0])
    now = replace(around(), traces={("upper-weir", "LVL"): made})
    return seen(f"LVL/{name}", last, now=now)


def test_a_level_that_falls_too_fast_calls_and_its_rise_does_not() -> None:
    # By hand: 3 cm a minute are 1.8 m/h, above the 1.5 m/h allowed.
    falling = trace(3.0, 2.97, 2.94, 2.91, 2.88, 2.85)
    found = rate("falls", falling)
    assert (found.condition, found.value) == (ABNORMAL, "falls 1.8 m/h")
    assert rate("rises", falling).condition is NORMAL


def test_a_single_wild_reading_makes_no_rate() -> None:
    # Theil-Sen by hand: with one of eight wild the median pair is still level.
    assert rate("falls", trace(3, 3, 3, 3, 0.5, 3, 3, 3)).condition is NORMAL


def test_a_rate_needs_two_readings_over_half_its_span() -> None:
    assert rate("falls", trace(3.0)).condition is UNKNOWN
    assert rate("falls", trace(3.0, 2.9, 2.8, 2.7, 2.6)).condition is UNKNOWN  # 4 of 10 min
    assert rate("falls", trace(3.0, 2.5, every_ms=5 * MIN)).condition is ABNORMAL


def test_a_trace_keeps_its_span_only_and_few_readings() -> None:
    made = trace(*[3.0] * 100)
    assert made.readings[0][0] == made.readings[-1][0] - 600_000
    assert len(trace(*[3.0] * 600, every_ms=1000).readings) <= 32
    assert made.followed(NOW, 3.0, 600).readings == ((NOW, 3.0),)  # the clock was set back


# --- totalizer ---------------------------------------------------------------------------------


def count(at_s: float, raw: float, restarts: float = 4, read_s: float | None = None) -> Count:
    read_ms = round(1000 * (at_s if read_s is None else read_s))
    return Count(NOW + round(1000 * at_s), raw, restarts, NOW + read_ms)


def total(*counts: Count, point: Point = TOTAL) -> Seen:
    found: Counted | None = None
    for one in counts:
        found = counted(found, one, point)
    assert found is not None
    newest = reading("TOT", found.newest.raw, at_ms=found.newest.at_ms)
    here = around(standing(replace(STATION, points=(point,)), newest))
    here = replace(here, counts={("upper-weir", "TOT"): found}, now_ms=found.newest.at_ms)
    return seen_of(alarm("TOT/totalizer"), here)


def test_a_count_that_climbs_is_normal_and_a_single_one_is_unknown() -> None:
    assert total(count(0, 100), count(60, 160)).condition is NORMAL
    assert total(count(0, 100)).condition is UNKNOWN


def test_a_count_that_went_back_without_a_restart_calls_for_an_hour() -> None:
    found = total(count(0, 60_000), count(60, 59_000), count(120, 59_060))
    assert found.condition is ABNORMAL
    assert found.value == "went back from 60000 to 59000, the restart counter did not move"
    assert found.since_ms == NOW + 60_000
    later = total(count(0, 60_000), count(60, 59_000), count(3661, 59_060))
    assert later.condition is NORMAL


def test_a_restart_explains_a_count_that_went_back() -> None:
    assert total(count(0, 48_112), count(60, 7, restarts=5)).condition is NORMAL


def test_before_the_restart_counter_is_read_nothing_is_said() -> None:
    # Trade case: the counter is read once an hour, the total each minute.
    slow = total(count(0, 60_000, read_s=-600), count(60, 59_000, read_s=-600))
    assert slow.condition is UNKNOWN
    read = total(
        count(0, 60_000, read_s=-600), count(60, 59_000, read_s=-600), count(120, 59_060, 5)
    )
    assert read.condition is NORMAL


@pytest.mark.parametrize(
    ("max_rate", "after", "condition"),
    [
        (None, 100, NORMAL),  # 65 500 to 100 are 136 pulses over the turn
        (2.0, 100, ABNORMAL),  # 136 pulses in 60 s are more than 2 Hz gives: 120 and the grace
        (3.0, 100, NORMAL),
        (None, 60_000, ABNORMAL),  # 60 036 of 65 536 forward: nearly a whole turn is no wrap
    ],
)
def test_a_wrap_explains_it_where_it_fits_the_time(
    max_rate: float | None, after: float, condition: Condition
) -> None:
    point = replace(TOTAL, max_rate=max_rate)
    assert total(count(0, 65_500), count(60, after), point=point).condition is condition


def test_more_pulses_than_can_be_are_abnormal() -> None:
    point = replace(TOTAL, max_rate=2.0)
    found = total(count(0, 100), count(60, 400), point=point)  # 5 a second
    assert (found.condition, found.value) == (
        ABNORMAL,
        "counts 5 a second, at most 2 a second can be",
    )
    assert total(count(0, 100), count(60, 224), point=point).condition is NORMAL  # 2 s of grace


# --- feedback ----------------------------------------------------------------------------------


ON_OFF = Switched(is_on=True, is_seen=True, is_followed=False)


def pump(
    on: bool,
    runs: bool,
    *,
    auto: bool | None = True,
    point: Point = PUMP,
    known: Switched | None = ON_OFF,
    orders: dict[tuple[str, str], Order] | None = None,
) -> Seen:
    station = replace(STATION, points=(RUN, AUTO, point))
    told = [reading("START", on), reading("RUN", runs)]
    told += [] if auto is None else [reading("AUTO", auto)]
    place = "upper-weir", "START"
    here = replace(
        around(standing(station, *told)),
        switched={place: replace(known, is_on=on)} if known else {},
        orders=orders or {},
    )
    return seen_of(alarm("START/feedback"), here)


def test_a_station_that_runs_its_pump_by_itself_is_no_failure() -> None:
    # Its own control starts and stops the pump; nobody has moved the output.
    for known in (None, replace(ON_OFF, is_seen=False), replace(ON_OFF, is_followed=True)):
        for on in (False, True):
            found = pump(on, not on, known=known)
            assert (found.condition, found.back) == (NORMAL, True)


def test_what_was_ordered_on_has_to_go_on_running() -> None:
    ran = replace(ON_OFF, is_followed=True)
    ordered = {("upper-weir", "START"): made_order(OrderState.CONFIRMED)}
    found = pump(True, False, known=ran, orders=ordered)
    assert (found.condition, found.value) == (
        ABNORMAL,
        "stopped by itself: output on, Run stopped",
    )


def test_an_output_is_remembered_from_change_to_change() -> None:
    known: Switched | None = None
    for on, runs, seen_, followed in (
        (False, True, False, False),  # at the start nobody saw a change
        (True, False, True, False),
        (True, True, True, True),
        (True, False, True, True),
        (False, False, True, True),
    ):
        here = standing(STATION, reading("START", on), reading("RUN", runs))
        known = switched(known, alarm("START/feedback"), here)
        assert known == Switched(on, seen_, followed)
    stale = standing(STATION, reading("START", True, quality=Quality.STALE))
    assert switched(known, alarm("START/feedback"), stale) == known


def test_fail_to_start_and_fail_to_stop_are_told_apart() -> None:
    start, stop = pump(True, False), pump(False, True)
    assert (start.condition, start.value) == (
        ABNORMAL,
        "fail to start: output on, Run stopped",
    )
    assert (stop.condition, stop.value) == (ABNORMAL, "fail to stop: output off, Run running")
    assert pump(True, True).condition is pump(False, False).condition is NORMAL


def test_what_runs_by_hand_is_no_failure_to_stop() -> None:
    assert pump(False, True, auto=False).condition is NORMAL
    assert pump(False, True, auto=None).condition is UNKNOWN
    assert pump(True, False, auto=False).value.endswith("; its selector is not in Auto")


def test_a_gates_pulse_that_has_ended_leaves_its_limit_contact_made() -> None:
    gate = replace(PUMP, kind=PointKind.PULSE_OUTPUT, fail_safe=FailSafe("hold", 600), auto=None)
    assert pump(False, True, point=gate).condition is NORMAL
    assert pump(True, False, point=gate).condition is ABNORMAL


def test_feedback_is_unknown_while_either_is_stale() -> None:
    stale = reading("RUN", False, quality=Quality.STALE)
    assert seen("START/feedback", reading("START", True), stale).condition is UNKNOWN


def test_feedback_is_raised_after_its_time_and_two_readings() -> None:
    one, standing_ = alarm("START/feedback"), Standing()
    for at_s, state_ in ((0, AlarmState.NORMAL), (20, AlarmState.NORMAL), (31, "raised")):
        found = replace(pump(True, False), at_ms=NOW + at_s * 1000)
        standing_ = look(one, standing_, found, NOW + at_s * 1000).standing
        wanted = AlarmState.UNACKNOWLEDGED if state_ == "raised" else state_
        assert standing_.state is wanted


# --- orders ------------------------------------------------------------------------------------


def made_order(state_: OrderState, ago_ms: int = MIN, code: int = 0) -> Order:
    return Order(
        1, "k", NOW - ago_ms, "opal", None, 1, 7, "START", Wanted(OrderKind.ON, 1), "off",
        None, state_, NOW - ago_ms, NOW, code=code, reason="No answer.",
    )  # fmt: skip


def order(state_: OrderState, ago_ms: int = MIN, code: int = 0) -> Seen:
    made = made_order(state_, ago_ms, code)
    here = replace(around(standing(STATION)), orders={("upper-weir", "START"): made})
    return seen_of(alarm("START/order"), here)


@pytest.mark.parametrize(
    ("state_", "code", "condition", "back"),
    [
        (OrderState.UNCONFIRMED, 0, ABNORMAL, False),
        (OrderState.UNKNOWN, 0, ABNORMAL, False),
        (OrderState.NOT_SENT, 0, ABNORMAL, False),
        (OrderState.REFUSED, 3, ABNORMAL, False),  # by the station, exception 03
        (OrderState.REFUSED, 0, NORMAL, True),  # by a rule of ours: neither raises nor ends it
        (OrderState.SENDING, 0, NORMAL, True),
        (OrderState.CONFIRMED, 0, NORMAL, False),
    ],
)
def test_an_order_calls_where_it_ended_otherwise_than_ordered(
    state_: OrderState, code: int, condition: Condition, back: bool
) -> None:
    found = order(state_, code=code)
    assert (found.condition, found.back) == (condition, back)


def test_a_failed_order_calls_for_a_day_and_says_why() -> None:
    assert order(OrderState.UNKNOWN).value == (
        "order on: not known whether it was sent. No answer."
    )
    assert order(OrderState.UNKNOWN, ago_ms=24 * HOUR).condition is NORMAL


# --- how they are set up -----------------------------------------------------------------------


def test_each_has_its_priority_delay_and_words() -> None:
    assert alarm("LVL/deviation").priority is Priority.NORMAL  # one below the point's own
    assert alarm("LVL/falls").limit == -1.5
    assert alarm("START/feedback").on_delay_s == 30.0
    assert alarm("START/order").priority is Priority.HIGH
    assert alarm("TOT/totalizer").latched
    assert all(one.rationale and one.consequence and one.response for one in MADE.values())


def test_a_signed_total_and_an_analog_feedback_make_none() -> None:
    both_ways = replace(TOTAL, layout=WordLayout.INT16, modulus=None)
    by_level = replace(PUMP, feedback=Feedback("LVL", 30.0))
    found = alarms_of(
        Network("", "UTC", 6, "UTC", (), (), (site(points=(both_ways, LEVEL, by_level)),))
    )
    kinds = {one.kind for one in found}
    assert Kind.ORDER in kinds
    assert not kinds & {Kind.TOTALIZER, Kind.FEEDBACK}


@pytest.mark.parametrize(
    ("tag", "name", "is_level"),
    [("POS", "Position", False), ("LVL", "Tank", True), ("L1", "Level of the pond", True)],
)
def test_a_share_is_a_level_only_where_its_name_says_so(
    tag: str, name: str, is_level: bool
) -> None:
    point = replace(LEVEL, tag=tag, name=name, unit="%")
    assert usual_of(point) is (LEVEL_USUAL if is_level else OTHER)


def test_an_order_calls_although_its_gateway_is_lost() -> None:
    from tallymast.domain.alarms.suppression import suppressed
    from tallymast.domain.model import GatewayStatus

    lost = around(standing(STATION, known=state()), gateway=GatewayStatus.UNREACHABLE)
    assert suppressed(alarm("START/order"), lost) == ""
    assert suppressed(alarm("START/feedback"), lost)

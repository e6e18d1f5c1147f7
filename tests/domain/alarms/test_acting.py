"""What people and the network do to an alarm: acknowledge, shelve, suppress, take out, reset."""

from dataclasses import replace

import pytest

from tallymast.domain.alarms.model import (
    Alarm,
    AlarmState,
    Condition,
    Event,
    Kind,
    Seen,
    Standing,
    Step,
)
from tallymast.domain.alarms.stepping import (
    acknowledge,
    in_service,
    look,
    out_of_service,
    reset,
    shelve,
    suppress,
    unshelve,
)
from tallymast.domain.model import Priority

T0 = 1_772_953_200_000
HOUR = 3_600_000
ALARM = Alarm("tank/LVL/high", Kind.HIGH, Priority.HIGH, "tank", "LVL", limit=3.1)
LATCHED = replace(ALARM, latched=True)
ACTIVE = Standing(AlarmState.UNACKNOWLEDGED, Condition.ABNORMAL, raised_ms=T0 - 1000)
QUIET = Standing(AlarmState.NORMAL, Condition.NORMAL)
BAD, GOOD = Condition.ABNORMAL, Condition.NORMAL


def events(step: Step) -> list[Event]:
    return [entry.event for entry in step.entries]


def looks(alarm: Alarm, standing: Standing, *seen: tuple[Condition, int]) -> Step:
    step = Step(standing)
    for condition, at_ms in seen:
        after = look(alarm, step.standing, Seen(condition, at_ms), at_ms)
        step = Step(after.standing, (*step.entries, *after.entries))
    return step


def test_acknowledging_says_who_when_and_why() -> None:
    step = acknowledge(ALARM, replace(ACTIVE, value="3.2 m"), T0, "ines", "gate is opened")
    assert step.standing.state is AlarmState.ACKNOWLEDGED
    assert (step.standing.acked_by, step.standing.acked_ms) == ("ines", T0)
    (entry,) = step.entries
    assert (entry.actor, entry.note, entry.value) == ("ines", "gate is opened", "3.2 m")
    assert (entry.before, entry.after) == (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


@pytest.mark.parametrize("state", [AlarmState.NORMAL, AlarmState.ACKNOWLEDGED])
def test_acknowledging_what_waits_for_nobody_writes_nothing(state: AlarmState) -> None:
    standing = Standing(state)
    assert acknowledge(ALARM, standing, T0, "ines", "") == Step(standing)


def test_an_alarm_whose_value_is_unknown_can_be_acknowledged() -> None:
    standing = replace(ACTIVE, condition=Condition.UNKNOWN)
    assert acknowledge(ALARM, standing, T0, "ines", "").standing.state is AlarmState.ACKNOWLEDGED


# --- shelved -----------------------------------------------------------------------------------


def test_a_shelved_alarm_is_judged_silently_and_shown_when_its_time_is_over() -> None:
    shelved = shelve(ALARM, QUIET, T0, T0 + HOUR, "ines", "float is being changed").standing
    step = looks(ALARM, shelved, (BAD, T0 + 60_000), (BAD, T0 + 120_000))
    assert step.standing.state is AlarmState.UNACKNOWLEDGED
    assert not step.standing.is_shown
    assert events(step) == [Event.RAISED]
    after = looks(ALARM, step.standing, (BAD, T0 + HOUR - 1), (BAD, T0 + HOUR))
    assert after.standing.is_shown
    assert events(after) == [Event.UNSHELVED]
    assert after.entries[0].actor == ""


def test_shelving_ends_even_where_nothing_is_known() -> None:
    shelved = shelve(ALARM, ACTIVE, T0, T0 + HOUR, "ines", "tests").standing
    step = look(ALARM, shelved, Seen(Condition.UNKNOWN), T0 + HOUR)
    assert events(step) == [Event.UNSHELVED, Event.UNKNOWN]
    assert step.standing.is_shown
    assert (step.standing.shelved_by, step.standing.shelved_why) == ("", "")


def test_shelving_tells_how_long_and_why() -> None:
    step = shelve(ALARM, ACTIVE, T0, T0 + 8 * HOUR, "ines", "float is being changed")
    assert step.standing.shelved_until_ms == T0 + 8 * HOUR
    (entry,) = step.entries
    assert (entry.note, entry.actor) == ("for 8 h: float is being changed", "ines")
    assert entry.before is entry.after is AlarmState.UNACKNOWLEDGED


def test_a_time_that_is_over_shelves_nothing() -> None:
    assert shelve(ALARM, ACTIVE, T0, T0, "ines", "late") == Step(ACTIVE)


def test_somebody_may_take_it_off_the_shelf_once() -> None:
    shelved = shelve(ALARM, ACTIVE, T0, T0 + HOUR, "ines", "tests").standing
    step = unshelve(ALARM, shelved, T0 + 5, "bo")
    assert step.standing == ACTIVE
    assert (step.entries[0].event, step.entries[0].actor) == (Event.UNSHELVED, "bo")
    assert unshelve(ALARM, step.standing, T0 + 6, "bo").entries == ()


# --- suppressed, out of service ----------------------------------------------------------------


def test_a_suppressed_alarm_keeps_its_state_and_comes_back_with_it() -> None:
    why = "suppressed: Long Scarp mast cannot be reached"
    step = suppress(ALARM, ACTIVE, why, T0)
    assert (events(step), step.entries[0].note) == ([Event.SUPPRESSED], why)
    assert not step.standing.is_shown
    assert suppress(ALARM, step.standing, why, T0 + 1).entries == ()
    back = suppress(ALARM, step.standing, "", T0 + 2)
    assert (events(back), back.standing) == ([Event.UNSUPPRESSED], ACTIVE)


def test_a_suppressed_alarm_clears_by_readings_and_not_by_their_lack() -> None:
    held = suppress(ALARM, ACTIVE, "suppressed: maintenance", T0).standing
    unknown = look(ALARM, held, Seen(Condition.UNKNOWN), T0 + 1000).standing
    assert unknown.state is AlarmState.UNACKNOWLEDGED
    assert looks(ALARM, held, (GOOD, T0 + 1000)).standing.state is AlarmState.RETURNED


def test_out_of_service_says_who_and_why_until_somebody_puts_it_back() -> None:
    step = out_of_service(ALARM, ACTIVE, T0, "bo", "float is broken")
    assert step.standing.out_of_service == "bo: float is broken"
    assert not step.standing.is_shown
    raised = looks(ALARM, step.standing, (GOOD, T0 + 1000), (BAD, T0 + 2000), (BAD, T0 + 3000))
    assert events(raised) == [Event.CLEARED, Event.RAISED]
    back = in_service(ALARM, raised.standing, T0 + 4000, "bo")
    assert back.standing.is_shown
    assert events(back) == [Event.IN_SERVICE]
    assert in_service(ALARM, back.standing, T0 + 5000, "bo").entries == ()


# --- latched ---------------------------------------------------------------------------------


def test_a_latched_alarm_stays_after_it_was_acknowledged_and_is_over() -> None:
    acked = acknowledge(LATCHED, ACTIVE, T0, "ines", "").standing
    step = looks(LATCHED, acked, (GOOD, T0 + 1000))
    assert step.standing.state is AlarmState.RETURNED
    assert step.standing.acked_by == "ines"
    assert acknowledge(LATCHED, step.standing, T0 + 2000, "bo", "").entries == ()
    after = reset(LATCHED, step.standing, T0 + 3000, "bo", "valve was freed")
    assert after.standing.state is AlarmState.NORMAL
    assert [(e.event, e.actor, e.note) for e in after.entries] == [
        (Event.RESET, "bo", "valve was freed")
    ]


def test_resetting_what_nobody_acknowledged_writes_both() -> None:
    over = looks(LATCHED, ACTIVE, (GOOD, T0)).standing
    step = reset(LATCHED, over, T0 + 1, "bo")
    assert events(step) == [Event.ACKNOWLEDGED, Event.RESET]
    assert step.standing.state is AlarmState.NORMAL


@pytest.mark.parametrize("condition", [BAD, Condition.UNKNOWN])
def test_a_latched_alarm_is_reset_only_once_it_is_known_to_be_over(condition: Condition) -> None:
    standing = Standing(AlarmState.RETURNED, condition, raised_ms=T0)
    assert reset(LATCHED, standing, T0, "bo") == Step(standing)
    assert reset(LATCHED, ACTIVE, T0, "bo") == Step(ACTIVE)


def test_a_plain_alarm_is_not_reset() -> None:
    standing = Standing(AlarmState.RETURNED, GOOD, raised_ms=T0)
    assert reset(ALARM, standing, T0, "bo") == Step(standing)

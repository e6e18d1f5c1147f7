"""Which of a group's alarms came first."""

from dataclasses import replace

from tallymast.domain.alarms.first_up import with_first
from tallymast.domain.alarms.model import Alarm, AlarmState, Entry, Event, Kind, Standing, Step
from tallymast.domain.model import Priority

T0 = 1_772_953_200_000
ALARMS = {
    key: Alarm(key, Kind.STATE, Priority.HIGH, "pump", first_up="pump/contacts")
    for key in ("pump/OVL/state", "pump/SEAL/state", "pump/TEMP/state")
}
OVL, SEAL, TEMP = ALARMS
LONE = Alarm("pump/DOOR/state", Kind.STATE, Priority.NORMAL, "pump")
QUIET = {key: Standing() for key in ALARMS}


def raised(key: str) -> Step:
    entry = Entry(T0, key, Event.RAISED, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED)
    return Step(Standing(AlarmState.UNACKNOWLEDGED, raised_ms=T0), (entry,))


def firsts(before: dict[str, Standing], *keys: str) -> set[str]:
    done = with_first(ALARMS, before, {key: raised(key) for key in keys})
    assert set(done) == set(keys)
    return {key for key, step in done.items() if step.standing.first}


def test_the_alarm_that_breaks_the_quiet_of_its_group_is_first() -> None:
    assert firsts(QUIET, SEAL) == {SEAL}


def test_what_comes_after_it_is_not_first() -> None:
    for state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED):
        assert firsts({**QUIET, SEAL: Standing(state)}, OVL, TEMP) == set()


def test_of_two_raised_by_one_look_the_earlier_condition_is_first() -> None:
    before = {
        **QUIET,
        OVL: Standing(pending_ms=T0 - 10_000),
        TEMP: Standing(pending_ms=T0 - 20_000),
    }
    assert firsts(before, OVL, TEMP) == {TEMP}


def test_of_two_that_came_with_one_reading_nobody_can_tell() -> None:
    before = {key: Standing(pending_ms=T0 - 10_000) for key in ALARMS}
    assert firsts(before, OVL, TEMP) == {OVL, TEMP}


def test_an_alarm_of_no_group_is_never_first() -> None:
    alarms = {**ALARMS, LONE.key: LONE}
    done = with_first(alarms, {}, {LONE.key: raised(LONE.key), OVL: raised(OVL)})
    assert not done[LONE.key].standing.first
    assert done[OVL].standing.first


def test_steps_that_raise_nothing_stay_as_they_are() -> None:
    step = Step(replace(Standing(), pending_ms=T0, pending_n=1))
    assert with_first(ALARMS, QUIET, {OVL: step}) == {OVL: step}

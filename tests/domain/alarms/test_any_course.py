"""Whatever happens to an alarm, in whatever order: what must hold all the way."""

from collections.abc import Callable
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.alarms.model import (
    Alarm,
    Condition,
    Entry,
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
from tallymast.domain.alarms.table import LATCHED, TABLE
from tallymast.domain.model import Priority

T0 = 1_772_953_200_000
ALARM = Alarm("tank/LVL/high", Kind.HIGH, Priority.HIGH, "tank", "LVL", limit=3.1)

seens = st.tuples(
    st.sampled_from(Condition),
    st.integers(0, 3),  # polls of 10 s since the look before
    st.booleans(),
)
ACTS: dict[str, Callable[[Alarm, Standing, int], Step]] = {
    "acknowledge": lambda alarm, standing, now: acknowledge(alarm, standing, now, "ines", ""),
    "shelve": lambda alarm, standing, now: shelve(alarm, standing, now, now + 99_000, "bo", "why"),
    "unshelve": lambda alarm, standing, now: unshelve(alarm, standing, now, "ines"),
    "suppress": lambda alarm, standing, now: suppress(alarm, standing, "suppressed: why", now),
    "end of it": lambda alarm, standing, now: suppress(alarm, standing, "", now),
    "out": lambda alarm, standing, now: out_of_service(alarm, standing, now, "ines", "why"),
    "in": lambda alarm, standing, now: in_service(alarm, standing, now, "ines"),
    "reset": lambda alarm, standing, now: reset(alarm, standing, now, "ines"),
}
acts = st.sampled_from(sorted(ACTS))
alarms = st.builds(
    lambda on, off, latched: replace(ALARM, on_delay_s=on, off_delay_s=off, latched=latched),
    st.sampled_from([0.0, 5.0, 15.0, 60.0]),
    st.sampled_from([0.0, 15.0, 60.0]),
    st.booleans(),
)


@given(alarms, st.lists(st.one_of(seens, acts), max_size=60), st.integers(0, 9999))
def test_states_move_by_the_table_only_and_journal_entries_chain(
    alarm: Alarm, course: list[object], jitter: int
) -> None:
    standing, now, journal = Standing(), T0, list[Entry]()
    table = LATCHED if alarm.latched else TABLE
    for one in course:
        if isinstance(one, str):
            step = ACTS[one](alarm, standing, now)
        else:
            condition, polls, back = one  # type: ignore[misc]
            now += 10_000 * polls
            step = look(alarm, standing, Seen(condition, now, back=back), now + jitter)
        assert (step.standing.state is standing.state) or step.entries
        standing = step.standing
        journal += step.entries
    before = Standing().state
    for entry in journal:
        assert entry.before is before
        assert entry.after is table.get((entry.before, entry.event), entry.before)
        before = entry.after
    assert before is standing.state


@given(
    st.sampled_from([0.0, 5.0, 15.0, 60.0]),
    st.lists(st.tuples(st.sampled_from(Condition), st.integers(0, 40)), max_size=80),
)
def test_an_alarm_is_never_raised_before_its_delay_and_two_readings(
    delay_s: float, course: list[tuple[Condition, int]]
) -> None:
    alarm, standing, now = replace(ALARM, on_delay_s=delay_s), Standing(), T0
    bad: set[int] = set()  # times of abnormal readings since the last normal one
    known_s, before = 0.0, Condition.UNKNOWN  # what is known of how long they lasted
    for condition, later_s in course:
        now += later_s * 1000
        if condition is Condition.ABNORMAL:
            bad.add(now)
            known_s += later_s if before is Condition.ABNORMAL else 0.0
        elif condition is Condition.NORMAL:
            bad, known_s = set(), 0.0
        step = look(alarm, standing, Seen(condition, now), now)
        if any(entry.event is Event.RAISED for entry in step.entries):
            assert len(bad) >= 2
            assert known_s >= delay_s
        before = condition
        standing = step.standing


@given(alarms, st.lists(st.tuples(st.sampled_from(Condition), st.integers(0, 40)), max_size=80))
def test_the_unknown_neither_raises_nor_clears(
    alarm: Alarm, course: list[tuple[Condition, int]]
) -> None:
    standing, now, told = Standing(), T0, 0
    for condition, later_s in course:
        now += later_s * 1000
        step = look(alarm, standing, Seen(condition, now), now)
        kinds = [entry.event for entry in step.entries]
        if condition is Condition.UNKNOWN:
            assert step.standing.state is standing.state
            assert set(kinds) <= {Event.UNKNOWN}
        told += kinds.count(Event.UNKNOWN) - kinds.count(Event.KNOWN)
        assert told in (0, 1)
        assert told == (step.standing.state.is_active and condition is Condition.UNKNOWN)
        standing = step.standing


@given(
    alarms,
    st.lists(st.tuples(st.sampled_from(Condition), st.integers(1, 40)), max_size=40),
    st.integers(1, 100_000),
)
def test_a_clock_set_back_moves_no_state_at_that_look(
    alarm: Alarm, course: list[tuple[Condition, int]], back_s: int
) -> None:
    # Only what needs no delay may move: clearing without an off-delay, by one good reading.
    standing, now = Standing(), T0
    for condition, later_s in course:
        now += later_s * 1000
        standing = look(alarm, standing, Seen(condition, now), now).standing
    # back to before the newest reading that was judged; readings after it only count less time
    now = (standing.seen_ms or now) - back_s * 1000
    after = look(alarm, standing, Seen(Condition.ABNORMAL, now), now).standing
    assert after.state is standing.state
    if alarm.off_delay_s > 0:
        after = look(alarm, standing, Seen(Condition.NORMAL, now), now).standing
        assert after.state is standing.state

"""The table of states, row by row against ANSI/ISA-18.2-2016 (secondary restatement).

The model is public in OPC 10000-9 (IEC 62541-9) section 4.8. The standard's letters: A normal, B
unacknowledged, C acknowledged, D returned to normal unacknowledged.
"""

from itertools import product

import pytest

from tallymast.domain.alarms.model import AlarmState, Event
from tallymast.domain.alarms.table import LATCHED, TABLE, next_state

A, B = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED
C, D = AlarmState.ACKNOWLEDGED, AlarmState.RETURNED

# Transitions of ANSI/ISA-18.2-2016 / IEC 62682 (secondary restatement), written out by hand.
STANDARD = (
    (A, Event.RAISED, B),  # A -abnormal-> B
    (B, Event.ACKNOWLEDGED, C),  # B -ack-> C
    (B, Event.CLEARED, D),  # B -normal-> D
    (C, Event.CLEARED, A),  # C -normal-> A
    (D, Event.RAISED, B),  # D -abnormal-> B
    (D, Event.ACKNOWLEDGED, A),  # D -ack-> A
)


@pytest.mark.parametrize(("before", "event", "after"), STANDARD)
def test_each_transition_is_the_standards(
    before: AlarmState, event: Event, after: AlarmState
) -> None:
    assert next_state(before, event) is after
    assert TABLE[before, event] is after


def test_nothing_else_changes_a_state() -> None:
    moves = {(before, event) for before, event, _ in STANDARD}
    others = set(product(AlarmState, Event)) - moves
    assert len(others) == 4 * 12 - 6
    assert all(next_state(state, event) is state for state, event in others)
    assert set(TABLE) == moves


@pytest.mark.parametrize(
    ("state", "active", "unacknowledged"),
    [(A, False, False), (B, True, True), (C, True, False), (D, False, True)],
)
def test_each_state_has_the_standards_flags(
    state: AlarmState, active: bool, unacknowledged: bool
) -> None:
    # Flags a state: A inactive, acknowledged; B active, not; C active, acknowledged; D inactive,
    # not (ANSI/ISA-18.2-2016, secondary restatement).
    assert state.is_active is active
    assert state.wants_acknowledging is unacknowledged


@pytest.mark.parametrize("event", [e for e in Event if e not in {Event.RAISED, Event.RESET}])
def test_a_latched_alarm_that_is_over_stays_until_it_is_reset(event: Event) -> None:
    # The standard's latched states, from memory.
    assert next_state(D, event, latched=True) is D
    assert next_state(D, Event.RESET, latched=True) is A
    assert next_state(D, Event.RAISED, latched=True) is B
    assert next_state(C, Event.CLEARED, latched=True) is D


def test_latching_changes_three_rows_and_no_other() -> None:
    changed = {row for row in LATCHED if LATCHED[row] is not TABLE.get(row)}
    assert changed == {(C, Event.CLEARED), (D, Event.ACKNOWLEDGED), (D, Event.RESET)}


def test_an_alarm_that_does_not_latch_has_nothing_to_reset() -> None:
    assert all(next_state(state, Event.RESET) is state for state in AlarmState)

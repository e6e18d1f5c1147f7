"""The states of an alarm and what leads from one to another: the whole table, row by row.

The states A to D and their transitions are those of ANSI/ISA-18.2-2016 and IEC 62682 (secondary
restatement); OPC 10000-9 (IEC 62541-9) section 4.8 has the same model in public. Shelving,
suppression by design and out of service lie beside the four states: they hide an alarm, they do
not move it.
"""

from collections.abc import Mapping

from tallymast.domain.alarms.model import AlarmState, Event

TABLE: Mapping[tuple[AlarmState, Event], AlarmState] = {
    # A, normal: the condition turns abnormal -> B
    (AlarmState.NORMAL, Event.RAISED): AlarmState.UNACKNOWLEDGED,
    # B, active and unacknowledged: somebody acknowledges it -> C; it turns normal -> D
    (AlarmState.UNACKNOWLEDGED, Event.ACKNOWLEDGED): AlarmState.ACKNOWLEDGED,
    (AlarmState.UNACKNOWLEDGED, Event.CLEARED): AlarmState.RETURNED,
    # C, active and acknowledged: it turns normal -> A (back to B, which the standard leaves to
    # choice, does not happen here: nobody takes back that he has seen it)
    (AlarmState.ACKNOWLEDGED, Event.CLEARED): AlarmState.NORMAL,
    # D, normal again and unacknowledged: abnormal once more -> B; acknowledged -> A
    (AlarmState.RETURNED, Event.RAISED): AlarmState.UNACKNOWLEDGED,
    (AlarmState.RETURNED, Event.ACKNOWLEDGED): AlarmState.NORMAL,
}

# The standard's pair of latched states, acknowledged or not (from memory), is RETURNED here, with
# or without a time of acknowledging: normal again, and kept until somebody resets it.
LATCHED: Mapping[tuple[AlarmState, Event], AlarmState] = {
    **TABLE,
    (AlarmState.ACKNOWLEDGED, Event.CLEARED): AlarmState.RETURNED,
    (AlarmState.RETURNED, Event.ACKNOWLEDGED): AlarmState.RETURNED,
    (AlarmState.RETURNED, Event.RESET): AlarmState.NORMAL,
}


def next_state(state: AlarmState, event: Event, *, latched: bool = False) -> AlarmState:
    """Return the state after ``event``; an event that means nothing here changes nothing.

    Args:
        state: before it.
        event: what happened.
        latched: whether the alarm stays until it is reset by hand.

    """
    return (LATCHED if latched else TABLE).get((state, event), state)

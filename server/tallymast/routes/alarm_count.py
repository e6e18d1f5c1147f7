"""Counts the alarms that are still to be acknowledged, for the head of every page."""

from tallymast.domain.alarms.model import Alarm, Alarms, AlarmState, Standing


def is_waiting(alarm: Alarm, standing: Standing) -> bool:
    """Whether somebody is still to say that he has seen it.

    A latched one that was acknowledged and is normal again waits for its reset only.
    """
    return standing.state.wants_acknowledging and not waits_for_reset(alarm, standing)


def waits_for_reset(alarm: Alarm, standing: Standing) -> bool:
    """Whether all that is left is to reset it by hand."""
    if not alarm.latched or standing.state is not AlarmState.RETURNED:
        return False
    seen, raised = standing.acked_ms, standing.raised_ms
    return seen is not None and (raised is None or seen >= raised)


def waiting(alarms: Alarms) -> int:
    """Return how many alarms that are shown are still to be acknowledged."""
    return sum(
        one.is_shown and key in alarms.alarms and is_waiting(alarms.alarms[key], one)
        for key, one in alarms.standings.items()
    )

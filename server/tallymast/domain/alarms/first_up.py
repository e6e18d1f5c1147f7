"""Which alarm of a group came first: where one trip brings others, the first tells the cause."""

from collections.abc import Iterable, Mapping
from dataclasses import replace

from tallymast.domain.alarms.model import Alarm, AlarmState, Event, Standing, Step


def with_first(
    alarms: Mapping[str, Alarm], before: Mapping[str, Standing], steps: Mapping[str, Step]
) -> dict[str, Step]:
    """Return the steps of one look, the first alarm of each group marked.

    Args:
        alarms: by key.
        before: their standings before the look, all of them.
        steps: what the look made of them; those not in it stay as they were.

    Where several of a quiet group are raised by one look, the one whose condition began first is
    first; where that is the same reading, nobody can tell and each of them is marked.

    """
    done = dict(steps)
    for group in _groups(alarms, steps):
        if any(_state(before, key) is not AlarmState.NORMAL for key in group):
            continue
        raised = [key for key in group if key in steps and _is_raised(steps[key])]
        began = {key: before[key].pending_ms if key in before else None for key in raised}
        known = [at_ms for at_ms in began.values() if at_ms is not None]
        earliest = min(known, default=None)
        for key in raised:
            if began[key] == earliest:
                step = done[key]
                done[key] = replace(step, standing=replace(step.standing, first=True))
    return done


def _groups(alarms: Mapping[str, Alarm], steps: Mapping[str, Step]) -> Iterable[list[str]]:
    names = {alarms[key].first_up for key in steps if key in alarms and _is_raised(steps[key])}
    members: dict[str, list[str]] = {name: [] for name in names if name}
    for key, alarm in alarms.items():
        if alarm.first_up in members:
            members[alarm.first_up].append(key)
    return members.values()


def _is_raised(step: Step) -> bool:
    return any(entry.event is Event.RAISED for entry in step.entries)


def _state(standings: Mapping[str, Standing], key: str) -> AlarmState:
    return standings[key].state if key in standings else AlarmState.NORMAL

"""What one look makes of all alarms: only what changes is in the answer, and it costs little.

A look is a second's: most alarms are as they were, or have been read anew and are as they were.
That a site's alarms are suppressed by design is written into the journal only of those of which
anything is held back: one lost gateway is one line there, not a line for everything behind it.
"""

from dataclasses import replace
from typing import Final

from tallymast.domain.alarms.conditions import Around, seen_of
from tallymast.domain.alarms.first_up import with_first
from tallymast.domain.alarms.model import (
    Alarm,
    Alarms,
    AlarmState,
    Condition,
    Entry,
    Event,
    Seen,
    Standing,
    Step,
)
from tallymast.domain.alarms.stepping import look, suppress
from tallymast.domain.alarms.suppression import suppressed

NEW: Final = Standing()  # of an alarm of which nothing is known yet
_HOLDING: Final = (Event.SUPPRESSED, Event.UNSUPPRESSED)


def steps_of(before: Alarms, around: Around) -> dict[str, Step]:
    """Return what one look makes of alarms; those that stay wholly as they are are not in it."""
    steps: dict[str, Step] = {}
    whys: dict[str, str] = {}
    for key, alarm in before.alarms.items():
        standing = before.standings.get(key, NEW)
        why = _why(alarm, around, whys)
        seen = seen_of(alarm, around)
        if why == standing.suppressed_by and _is_confirmed(standing, seen):
            if seen.condition is not Condition.UNKNOWN and not _is_read(standing, seen):
                steps[key] = Step(replace(standing, seen_ms=seen.at_ms, value=seen.value))
            continue
        step = step_of(alarm, standing, seen, why, around.now_ms)
        if step.entries or step.standing != standing:
            steps[key] = step
    return with_first(before.alarms, before.standings, steps)


def step_of(alarm: Alarm, standing: Standing, seen: Seen, why: str, now_ms: int) -> Step:
    """Return what a look makes of one alarm.

    Args:
        alarm: as it is set up.
        standing: before the look.
        seen: what was found of its condition.
        why: it is suppressed by design for this reason, a sentence; empty: it is not.
        now_ms: the instant, UTC milliseconds.

    """
    first = suppress(alarm, standing, why, now_ms)
    then = look(alarm, first.standing, seen, now_ms)
    entries = (*first.entries, *then.entries)
    if not why and not standing.suppressed_by:
        return Step(then.standing, entries)
    return _told(standing, Step(then.standing, entries), now_ms)


def _told(before: Standing, step: Step, now_ms: int) -> Step:
    """Leave out of the journal that something is suppressed of which nothing is held back."""
    after, normal = step.standing, AlarmState.NORMAL
    is_said = before.is_held_told or before.state is not normal or after.state is not normal
    if not is_said:
        return Step(after, tuple(one for one in step.entries if one.event not in _HOLDING))
    entries = step.entries
    if after.suppressed_by and not before.is_held_told and not _tells(entries):
        state, why = before.state, after.suppressed_by
        held = Entry(now_ms, entries[0].alarm, Event.SUPPRESSED, state, state, note=why)
        entries = (held, *entries)
    return Step(replace(after, is_held_told=bool(after.suppressed_by)), entries)


def _tells(entries: tuple[Entry, ...]) -> bool:
    return not entries or any(one.event in _HOLDING for one in entries)


def _why(alarm: Alarm, around: Around, whys: dict[str, str]) -> str:
    """Return why an alarm is suppressed; all of a site are for the same reason."""
    if not alarm.site:
        return suppressed(alarm, around)
    if alarm.site not in whys:
        whys[alarm.site] = suppressed(alarm, around)
    return whys[alarm.site]


def _is_confirmed(standing: Standing, seen: Seen) -> bool:
    """Whether a look finds it as it stands, and nothing waits for its time."""
    if standing.pending_ms is not None or standing.shelved_until_ms is not None:
        return False
    if seen.condition is not standing.condition:
        return False
    if seen.condition is Condition.UNKNOWN:
        return True
    return seen.at_ms is not None and _is_abnormal(seen) is standing.state.is_active


def _is_abnormal(seen: Seen) -> bool:
    return seen.condition is Condition.ABNORMAL


def _is_read(standing: Standing, seen: Seen) -> bool:
    """Whether that reading was judged before."""
    return seen.at_ms == standing.seen_ms and seen.value == standing.value

"""What one look makes of all alarms: only what changes is in the answer, and it costs little.

A look is a second's: most alarms are as they were, or have been read anew and are as they were.
That a site's alarms are suppressed by design is written into the journal only of those of which
anything is held back: one lost gateway is one line there, not a line for everything behind it.
"""

from dataclasses import replace
from typing import Final

from tallymast.alarms.memory import Memory, Past
from tallymast.domain.alarms.conditions import Around, seen_of
from tallymast.domain.alarms.first_up import with_first
from tallymast.domain.alarms.model import (
    Alarm,
    Alarms,
    AlarmState,
    Condition,
    Entry,
    Event,
    Kind,
    Seen,
    Standing,
    Step,
)
from tallymast.domain.alarms.stepping import look, suppress
from tallymast.domain.alarms.suppression import NEVER, suppressed
from tallymast.domain.health.attention import Standing as SiteStanding

NEW: Final = Standing()  # of an alarm of which nothing is known yet
_NEVER: Final = (object(), NEW)
# What rests on more than a site's newest readings: on nights, orders, or the time itself.
_MOVING: Final = frozenset({Kind.FORECAST, Kind.SUPPLY, Kind.ORDER, Kind.FEEDBACK})
_HOLDING: Final = (Event.SUPPRESSED, Event.UNSUPPRESSED)


class Looks:
    """Looks at all alarms, again and again; remembers where nothing can have changed.

    Args:
        past: what the record knows of a point when it is first followed.

    """

    def __init__(self, past: Past) -> None:
        self._still: dict[str, tuple[object, Standing]] = {}
        self._memory = Memory(past)

    def steps_of(self, before: Alarms, around: Around) -> dict[str, Step]:
        """Return what one look makes of alarms; those that stay as they are are not in it."""
        around = self._memory.followed(before.alarms, around)
        steps: dict[str, Step] = {}
        whys: dict[str, str] = {}
        for key, alarm in before.alarms.items():
            standing = before.standings.get(key, NEW)
            site = around.sites.get(alarm.site)
            why = _why(alarm, around, whys)
            still, so_far = self._still.get(key, _NEVER)
            if still is site and so_far is standing and why == standing.suppressed_by:
                continue
            step = self._look(alarm, standing, site, why, around)
            if step is not None:
                steps[key] = step
        return with_first(before.alarms, before.standings, steps)

    def _look(
        self,
        alarm: Alarm,
        standing: Standing,
        site: SiteStanding | None,
        why: str,
        around: Around,
    ) -> Step | None:
        seen = seen_of(alarm, around)
        if why != standing.suppressed_by or not _is_confirmed(standing, seen):
            step = step_of(alarm, standing, seen, why, around.now_ms)
            return step if step.entries or step.standing != standing else None
        is_new = seen.condition is not Condition.UNKNOWN and not _is_read(standing, seen)
        after = replace(standing, seen_ms=seen.at_ms, value=seen.value) if is_new else standing
        if site is not None and alarm.kind not in _MOVING:
            self._still[alarm.key] = site, after
        return Step(after) if is_new else None


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
    if not alarm.site or alarm.kind in NEVER:
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

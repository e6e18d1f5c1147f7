"""What a look or an act makes of an alarm: its standing after it, and what the journal gets.

A look judges every alarm alike, also one that is shelved, suppressed or out of service: its state
moves and is written down, it is only not shown, and what is abnormal when it comes out is there.
What is not known neither raises nor clears: "was high, now unknown". States move by table.py only.
"""

from dataclasses import replace
from typing import Any

from tallymast.domain.alarms.delays import LEAST_READINGS, Wait, waited
from tallymast.domain.alarms.model import (
    Alarm,
    AlarmState,
    Condition,
    Entry,
    Event,
    Kind,
    Seen,
    Standing,
    Step,
)
from tallymast.domain.alarms.table import next_state

SHELF_OVER = "the time it was shelved for is over"

# Common practice, no published source: contacts and loops are believed at two equal readings, both
# ways; one that makes and breaks would chatter else.
_TWICE = frozenset({Kind.STATE, Kind.LOOP_FAULT, Kind.QUALITY})

_WAS = {
    Kind.LOW_LOW: "far too low",
    Kind.LOW: "low",
    Kind.HIGH: "high",
    Kind.HIGH_HIGH: "far too high",
    Kind.COMM_FAIL: "silent",
    Kind.GATEWAY: "unreachable",
    Kind.LOOP_FAULT: "a failed loop",
    Kind.QUALITY: "without a value",
    Kind.SUPPLY: "low",
    Kind.DEVIATION: "apart",
    Kind.RATE: "changing too fast",
    Kind.TOTALIZER: "in doubt",
    Kind.FEEDBACK: "in disagreement",
    Kind.ORDER: "not as ordered",
    Kind.PERMIT: "used up, or near it",
}


def look(alarm: Alarm, standing: Standing, seen: Seen, now_ms: int) -> Step:
    """Return what one look makes of an alarm.

    Args:
        alarm: as it is set up.
        standing: before the look.
        seen: what it found; a caller says unknown where the newest reading is stale or none.
        now_ms: when somebody looks [UTC ms]; journal entries carry it.

    """
    step = _shelf_ended(alarm, Step(standing), now_ms)
    if seen.condition is Condition.UNKNOWN:
        return _unknown(alarm, step, now_ms)
    if standing.state.is_active and standing.condition is Condition.UNKNOWN:
        note = f"was {_was(alarm)} when last known"
        step = _write(alarm, step, Event.KNOWN, now_ms, value=seen.value, note=note)
    return _known(alarm, step, seen, now_ms)


def _shelf_ended(alarm: Alarm, step: Step, now_ms: int) -> Step:
    until_ms = step.standing.shelved_until_ms
    if until_ms is None or now_ms < until_ms:
        return step
    return _off_the_shelf(alarm, step, now_ms, "", SHELF_OVER)


def _unknown(alarm: Alarm, step: Step, now_ms: int) -> Step:
    standing = step.standing
    if standing.condition is Condition.UNKNOWN:
        return step
    if not standing.state.is_active:  # a wait to be raised is kept, see delays.py
        return _changed(step, condition=Condition.UNKNOWN)
    note = f"was {_was(alarm)}, now unknown"
    step = _write(alarm, step, Event.UNKNOWN, now_ms, value=standing.value, note=note)
    return _changed(step, condition=Condition.UNKNOWN, pending_ms=None, pending_n=0)


def _known(alarm: Alarm, step: Step, seen: Seen, now_ms: int) -> Step:
    standing = step.standing
    at_ms = now_ms if seen.at_ms is None else seen.at_ms
    is_active = standing.state.is_active
    is_abnormal = seen.condition is Condition.ABNORMAL or (is_active and seen.back)
    if is_abnormal is is_active and _is_old(standing, seen, is_abnormal, at_ms):
        return step  # most looks find the reading of the look before
    wait = waited(standing, seen, at_ms, now_ms) if is_abnormal != is_active else None
    over = wait is not None and _is_over(alarm, wait, is_active, now_ms)
    kept = None if over else wait
    step = _changed(
        step,
        condition=Condition.ABNORMAL if is_abnormal else Condition.NORMAL,
        pending_ms=kept.since_ms if kept else None,
        pending_n=kept.readings if kept else 0,
        seen_ms=at_ms,
        value=seen.value,
    )
    if not over:
        return step
    return _cleared(alarm, step, now_ms) if is_active else _raised(alarm, step, now_ms)


def _is_over(alarm: Alarm, wait: Wait, is_active: bool, now_ms: int) -> bool:
    if not is_active:
        return wait.is_over(alarm.on_delay_s, LEAST_READINGS, now_ms)
    needs_two = alarm.off_delay_s > 0 or alarm.kind in _TWICE
    least = LEAST_READINGS if needs_two else 1
    return wait.is_over(alarm.off_delay_s, least, now_ms)


def _is_old(standing: Standing, seen: Seen, is_abnormal: bool, at_ms: int) -> bool:
    was_abnormal = standing.condition is Condition.ABNORMAL
    is_judged = standing.condition is not Condition.UNKNOWN and standing.pending_ms is None
    is_same = standing.seen_ms == at_ms and standing.value == seen.value
    return is_judged and is_same and was_abnormal is is_abnormal


def _raised(alarm: Alarm, step: Step, now_ms: int) -> Step:
    step = _write(alarm, step, Event.RAISED, now_ms, value=step.standing.value)
    return _changed(
        step, raised_ms=now_ms, cleared_ms=None, acked_ms=None, acked_by="", first=False
    )


def _cleared(alarm: Alarm, step: Step, now_ms: int) -> Step:
    step = _write(alarm, step, Event.CLEARED, now_ms, value=step.standing.value)
    return _changed(step, cleared_ms=now_ms)


# --- what people do, and what the network does to it -----------------------------------------


def acknowledge(alarm: Alarm, standing: Standing, now_ms: int, actor: str, note: str) -> Step:
    """Return the alarm acknowledged; nothing where nothing waits for it."""
    if not standing.state.wants_acknowledging or _waits_for_reset(standing):
        return Step(standing)
    step = _write(
        alarm,
        Step(standing),
        Event.ACKNOWLEDGED,
        now_ms,
        value=standing.value,
        actor=actor,
        note=note,
    )
    return _changed(step, acked_ms=now_ms, acked_by=actor)


def raise_test(alarm: Alarm, standing: Standing, now_ms: int, actor: str, note: str) -> Step:
    """Return the test alarm raised; nothing while it stands already.

    It has no condition that is read anywhere: whoever looks ends it after its time.
    """
    if alarm.kind is not Kind.TEST or standing.state.is_active:
        return Step(standing)
    step = _write(alarm, Step(standing), Event.RAISED, now_ms, actor=actor, note=note)
    return _changed(
        step,
        condition=Condition.ABNORMAL,
        raised_ms=now_ms,
        cleared_ms=None,
        acked_ms=None,
        acked_by="",
        pending_ms=None,
        pending_n=0,
        seen_ms=now_ms,
        value=note,
    )


def reset(alarm: Alarm, standing: Standing, now_ms: int, actor: str, note: str = "") -> Step:
    """Return a latched alarm reset once its condition is known to be normal; else nothing.

    Whoever resets one that nobody has acknowledged acknowledges it with that; both are written.
    """
    is_over = standing.state is AlarmState.RETURNED and standing.condition is Condition.NORMAL
    if not alarm.latched or not is_over:
        return Step(standing)
    step = acknowledge(alarm, standing, now_ms, actor, note)
    return _write(alarm, step, Event.RESET, now_ms, actor=actor, note=note)


def _waits_for_reset(standing: Standing) -> bool:
    return standing.state is AlarmState.RETURNED and standing.acked_ms is not None


def shelve(
    alarm: Alarm, standing: Standing, now_ms: int, until_ms: int, actor: str, why: str
) -> Step:
    """Return the alarm shelved until a time, or for another time; nothing if that is over."""
    if until_ms <= now_ms:
        return Step(standing)
    note = f"for {(until_ms - now_ms) / 3_600_000:.3g} h: {why}"
    step = _write(alarm, Step(standing), Event.SHELVED, now_ms, actor=actor, note=note)
    return _changed(step, shelved_until_ms=until_ms, shelved_by=actor, shelved_why=why)


def unshelve(alarm: Alarm, standing: Standing, now_ms: int, actor: str) -> Step:
    """Return the alarm taken off the shelf; ``actor`` empty: its time is over."""
    if standing.shelved_until_ms is None:
        return Step(standing)
    return _off_the_shelf(alarm, Step(standing), now_ms, actor, "" if actor else SHELF_OVER)


def _off_the_shelf(alarm: Alarm, step: Step, now_ms: int, actor: str, note: str) -> Step:
    step = _write(alarm, step, Event.UNSHELVED, now_ms, actor=actor, note=note)
    return _changed(step, shelved_until_ms=None, shelved_by="", shelved_why="")


def suppress(alarm: Alarm, standing: Standing, by: str, now_ms: int) -> Step:
    """Return the alarm suppressed by design for a reason in a sentence; empty ends it."""
    if by == standing.suppressed_by:
        return Step(standing)
    event = Event.SUPPRESSED if by else Event.UNSUPPRESSED
    step = _write(alarm, Step(standing), event, now_ms, note=by)
    return _changed(step, suppressed_by=by)


def out_of_service(alarm: Alarm, standing: Standing, now_ms: int, actor: str, why: str) -> Step:
    """Return the alarm taken out of service until somebody puts it back."""
    if standing.out_of_service:
        return Step(standing)
    step = _write(alarm, Step(standing), Event.OUT_OF_SERVICE, now_ms, actor=actor, note=why)
    return _changed(step, out_of_service=f"{actor}: {why}")


def in_service(alarm: Alarm, standing: Standing, now_ms: int, actor: str, why: str = "") -> Step:
    """Return the alarm put back into service."""
    if not standing.out_of_service:
        return Step(standing)
    step = _write(alarm, Step(standing), Event.IN_SERVICE, now_ms, actor=actor, note=why)
    return _changed(step, out_of_service="")


# --- one entry, one state --------------------------------------------------------------------


def _write(
    alarm: Alarm,
    step: Step,
    event: Event,
    now_ms: int,
    *,
    value: str = "",
    actor: str = "",
    note: str = "",
) -> Step:
    """Move the state by the table, and write one entry about it."""
    before = step.standing.state
    after = next_state(before, event, latched=alarm.latched)
    entry = Entry(now_ms, alarm.key, event, before, after, value, actor, note)
    return Step(replace(step.standing, state=after), (*step.entries, entry))


def _changed(step: Step, **changes: Any) -> Step:
    return Step(replace(step.standing, **changes), step.entries)


def _was(alarm: Alarm) -> str:
    return alarm.call_when or _WAS.get(alarm.kind, "abnormal")

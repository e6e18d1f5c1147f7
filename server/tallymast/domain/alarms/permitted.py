"""Alarms of permits: what may be taken is taken, and, less urgent, it may be before its end.

A permit is of points of several sites, and rests on what was counted since its period began; so
it belongs to no site, is suppressed by nobody's silence, and its alarms are made from what people
entered and not from the network.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from tallymast.domain.alarms.judged import UNKNOWN, spoken
from tallymast.domain.alarms.model import Alarm, Condition, Kind, Seen
from tallymast.domain.alarms.wording import PERMIT_AHEAD, WORDINGS, Wording
from tallymast.domain.model import Priority
from tallymast.domain.totals.permits import Outlook, Permit

REACHED: Final = "reached"
AHEAD: Final = "ahead"
_STEADY_S: Final = 6 * 3600.0  # ours: a forecast that wavers about the limit calls once


@dataclass(frozen=True, slots=True)
class Permitted:
    """A permit, and how it stands; None: what was taken is not known in its unit."""

    permit: Permit
    outlook: Outlook | None


def permit_alarms(permits: Iterable[Permit]) -> tuple[Alarm, ...]:
    """Return the alarms of permits: two each, by the permit's number."""
    return tuple(alarm for one in permits for alarm in _of_permit(one))


def permit_of(alarm: Alarm) -> int:
    """Return the number of the permit an alarm is of."""
    return int(alarm.key.rpartition("/")[2].partition("-")[0])


def is_ahead(alarm: Alarm) -> bool:
    """Whether an alarm tells that a permit may be used up, not that it is."""
    return alarm.key.endswith(f"-{AHEAD}")


def judge_permit(alarm: Alarm, permits: Mapping[int, Permitted], now_ms: int) -> Seen:
    """Return how a permit stands; each look counts as a reading of its own.

    What is unknown of the volume is never taken for nothing: where it may be beyond the limit,
    the alarm cannot be judged.
    """
    found = permits.get(permit_of(alarm))
    if found is None or found.outlook is None:
        return UNKNOWN
    judge = _ahead if is_ahead(alarm) else _reached
    return judge(found.permit, found.outlook, now_ms)


def _reached(permit: Permit, one: Outlook, now_ms: int) -> Seen:
    words = f"{spoken(one.taken, '')} of {spoken(one.limit, permit.unit)} taken"
    if one.is_reached:
        return Seen(Condition.ABNORMAL, now_ms, words)
    return UNKNOWN if one.may_be_over else Seen(Condition.NORMAL, now_ms, words)


def _ahead(permit: Permit, one: Outlook, now_ms: int) -> Seen:
    if one.is_reached:
        words = f"{spoken(one.taken, '')} of {spoken(one.limit, permit.unit)} taken"
        return Seen(Condition.ABNORMAL, now_ms, words)
    if one.low is None or one.high is None or one.unknown is None:
        return UNKNOWN
    ends = f"{spoken(one.low, '')} to {spoken(one.high, permit.unit)}"
    words = f"the {permit.period} ends at {ends} of {spoken(one.limit, permit.unit)}"
    is_near = one.soonest_days is not None
    return Seen(Condition.ABNORMAL if is_near else Condition.NORMAL, now_ms, words)


def _of_permit(one: Permit) -> Iterator[Alarm]:
    yield _alarm(one, REACHED, Priority.HIGH, WORDINGS[Kind.PERMIT])
    yield _alarm(one, AHEAD, Priority.NORMAL, PERMIT_AHEAD, _STEADY_S)


def _alarm(
    one: Permit, what: str, priority: Priority, wording: Wording, off_delay_s: float = 0.0
) -> Alarm:
    rationale, consequence, response = wording.of(one.name)
    return Alarm(
        f"//{Kind.PERMIT}/{one.id}-{what}",
        Kind.PERMIT,
        priority,
        tag=one.name,
        off_delay_s=off_delay_s,
        rationale=rationale,
        consequence=consequence,
        response=response,
    )

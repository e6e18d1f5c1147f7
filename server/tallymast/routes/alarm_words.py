"""Writes an alarm down for people: what it is called, its sentence, its state by word and shape.

Shapes tell the priority (eight corners, three, two), their filling the state: filled while
nobody has acknowledged, hollow once somebody has, a hollow one with a bar when the condition
is normal again and still nobody has. Shapes and words are our own.
"""

from typing import Final

from tallymast.domain.alarms.model import (
    Alarm,
    Alarms,
    AlarmState,
    Condition,
    Event,
    Kind,
    Standing,
)
from tallymast.domain.alarms.moving import rate_words
from tallymast.domain.alarms.permitted import is_ahead
from tallymast.domain.model import Point, Priority, SitePlan
from tallymast.routes.alarm_count import waits_for_reset
from tallymast.routes.formats import measure, plural
from tallymast.routes.rows import Mark
from tallymast.routes.services import NetworkView

URGENCY: Final = tuple(Priority)  # the first wants somebody first
STATES: Final = {
    AlarmState.NORMAL: "normal",
    AlarmState.UNACKNOWLEDGED: "unacknowledged",
    AlarmState.ACKNOWLEDGED: "acknowledged",
    AlarmState.RETURNED: "normal again, unacknowledged",
}
EVENTS: Final = {
    Event.RAISED: "raised",
    Event.CLEARED: "normal again",
    Event.ACKNOWLEDGED: "acknowledged",
    Event.UNKNOWN: "cannot be judged any more",
    Event.KNOWN: "can be judged again",
    Event.SHELVED: "shelved",
    Event.UNSHELVED: "taken off the shelf",
    Event.SUPPRESSED: "suppressed by design",
    Event.UNSUPPRESSED: "no longer suppressed",
    Event.OUT_OF_SERVICE: "taken out of service",
    Event.IN_SERVICE: "back in service",
    Event.RESET: "reset by hand",
}
_LIMITS: Final = {
    Kind.LOW_LOW: "low-low",
    Kind.LOW: "low",
    Kind.HIGH: "high",
    Kind.HIGH_HIGH: "high-high",
}
_ELSE: Final = {
    Kind.STATE: "in the state that calls",
    Kind.COMM_FAIL: "comm fail",
    Kind.SUPPLY: "supply low",
    Kind.FORECAST: "load disconnect is near",
    Kind.QUALITY: "no valid value",
    Kind.LOOP_FAULT: "loop fault",
    Kind.TOTALIZER: "count in doubt",
    Kind.PERMIT: "permit used up",
    Kind.DEVIATION: "too far from its twin",
    Kind.RATE: "changes too fast",
    Kind.FEEDBACK: "effect not proven",
    Kind.ORDER: "order not done as given",
    Kind.GATEWAY: "gateway cannot be reached",
    Kind.STORAGE: "not stored",
    Kind.POLLER: "polling has stopped",
    Kind.TEST: "test, nothing is wrong",
}
_TONES: Final = {Priority.URGENT: "act", Priority.HIGH: "act", Priority.NORMAL: "watch"}
_FILLINGS: Final = {
    AlarmState.NORMAL: "seen",
    AlarmState.UNACKNOWLEDGED: "new",
    AlarmState.ACKNOWLEDGED: "seen",
    AlarmState.RETURNED: "over",
}


def urgency(alarm: Alarm) -> int:
    """Return 0 for what wants a person first."""
    return URGENCY.index(alarm.priority)


def mark_of(alarm: Alarm, standing: Standing) -> Mark:
    """Return priority and state by word, shape and tone."""
    shape = f"{alarm.priority.value}-{_FILLINGS[standing.state]}"
    tone = _TONES[alarm.priority] if standing.state.is_active else "off"
    word = STATES[standing.state]
    if standing.state is AlarmState.NORMAL and standing.condition is Condition.UNKNOWN:
        return Mark("not known whether normal", "dash", "off")
    if waits_for_reset(alarm, standing):
        word = "normal again, waits for its reset"
    return Mark(word, shape, tone)


def kind_words(kind: Kind) -> str:
    """Return what a kind is called: ``high``, ``comm fail``."""
    return _LIMITS.get(kind) or _ELSE[kind]


def point_of(alarm: Alarm, plan: SitePlan | None) -> Point | None:
    """Return the point an alarm watches, None where it watches none that is there."""
    return plan.site.point(alarm.tag) if plan is not None and alarm.tag else None


def place_of(alarm: Alarm, network: NetworkView) -> tuple[str, str]:
    """Return where it is, and the address of that page; empty where there is none."""
    if alarm.site:
        plan = network.site_or_retired(alarm.site)
        return (plan.site.name, f"/sites/{alarm.site}") if plan else (alarm.site, "")
    if alarm.gateway:
        behind = network.gateway(alarm.gateway)
        href = f"/gateways/{alarm.gateway}"
        return (behind.gateway.name, href) if behind else (alarm.gateway, "")
    if alarm.kind is Kind.STORAGE:
        return "Storage", "/storage"
    if alarm.kind is Kind.PERMIT:
        return "Permits", "/volumes/permits"
    return ("Polling", "/gateways") if alarm.kind is Kind.POLLER else ("Tallymast", "")


def what_of(alarm: Alarm, point: Point | None) -> str:
    """Return what an alarm is called at its place: ``Level high``, ``Hatch open``."""
    name = point.name if point is not None else alarm.tag
    if alarm.kind is Kind.STATE and alarm.call_when:
        return f"{name} {alarm.call_when}".strip()
    words = kind_words(alarm.kind)
    if alarm.kind is Kind.PERMIT and is_ahead(alarm):
        words = "permit may be used up"
    if alarm.kind is Kind.SUPPLY:  # a supply may have several: low, far low, mains lost
        words = alarm.key.rpartition("/")[2].replace("-", " ")
    if alarm.kind is Kind.RATE and name:
        return f"{name} {alarm.key.rpartition('/')[2]} too fast"
    if not name or alarm.kind in (Kind.SUPPLY, Kind.FORECAST):
        return f"{words[0].upper()}{words[1:]}"
    return f"{name} {words}" if alarm.kind in _LIMITS else f"{name}: {words}"


def name_of(key: str, alarms: Alarms, network: NetworkView) -> str:
    """Return ``Vetch Water: Level high``; of an alarm that is no longer set up its key."""
    alarm = alarms.alarms.get(key)
    return key if alarm is None else called(alarm, network)


def called(alarm: Alarm, network: NetworkView) -> str:
    """Return what an alarm is called in lists and sentences: ``Vetch Water: Level high``."""
    plan = network.site_or_retired(alarm.site) if alarm.site else None
    return f"{place_of(alarm, network)[0]}: {what_of(alarm, point_of(alarm, plan))}"


def limit_words(alarm: Alarm, point: Point | None) -> str:
    """Return the limit with its unit, empty where there is none; of a forecast it is in days."""
    return _measured(alarm, alarm.limit, point) if alarm.limit is not None else ""


def deadband_words(alarm: Alarm, point: Point | None) -> str:
    """Return the deadband with its unit, empty where there is none."""
    return _measured(alarm, alarm.deadband, point) if alarm.deadband else ""


def says(alarm: Alarm, standing: Standing, point: Point | None) -> str:
    """Return what was read and what it is held against; of the unknown what it was."""
    limit = limit_words(alarm, point)
    if is_unknown(standing):
        was = _LIMITS.get(alarm.kind, "abnormal")
        read = f" at {standing.value}" if standing.value else ""
        against = f" (limit {limit})" if limit else ""
        return f"was {was}{read}{against}, now unknown"
    is_told = alarm.kind is Kind.STATE and standing.value == alarm.call_when  # by its name
    parts = [standing.value] if standing.value and not is_told else []
    if limit:
        parts.append(f"limit {limit}")
    return ", ".join(parts)


def is_unknown(standing: Standing) -> bool:
    """Whether it was abnormal and cannot be judged any more."""
    return standing.state.is_active and standing.condition is Condition.UNKNOWN


def _measured(alarm: Alarm, value: float, point: Point | None) -> str:
    if alarm.kind is Kind.FORECAST:
        return plural(int(value), "day") if value.is_integer() else f"{value:g} days"
    if alarm.kind is Kind.RATE:
        return rate_words(value, point.unit if point is not None else "")
    return measure(value, point) if point is not None else f"{value:g}"

"""Whether an alarm's condition is abnormal now, from what is known of the network.

The deadband is only told here (``Seen.back``), delays are not in it at all. What is stale, or no
value, is unknown: it is never taken for normal. Conditions that are no reading of a site, as a
gateway's contact, are true at the moment somebody looks.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from tallymast.domain.alarms.counting import Counted, judge_total
from tallymast.domain.alarms.dawns import FRESH_MS, Dawn, judge_by_dawn
from tallymast.domain.alarms.judged import UNKNOWN, is_known, judged, spoken
from tallymast.domain.alarms.model import Alarm, Condition, Kind, Seen
from tallymast.domain.alarms.moving import Trace, judge_rate
from tallymast.domain.alarms.ordered import judge_order
from tallymast.domain.alarms.paired import Switched, judge_deviation, judge_feedback
from tallymast.domain.alarms.permitted import Permitted, judge_permit
from tallymast.domain.health.attention import Standing as SiteStanding
from tallymast.domain.health.attention import number_of
from tallymast.domain.health.supply.model import SupplyHealth, Verdict
from tallymast.domain.modbus.layouts import loop_condition
from tallymast.domain.model import (
    GatewayState,
    GatewayStatus,
    Point,
    Quality,
    SiteStatus,
    SupplyKind,
)
from tallymast.domain.orders.model import Order

DAY_MS = 86_400_000
PlaceOf = tuple[str, str]  # a site's key, a tag
_NO_TRACE = Trace()
_SOUND = frozenset({Verdict.STEADY, Verdict.OVERCHARGING, Verdict.AGEING})


@dataclass(frozen=True, slots=True)
class Around:
    """What a look at all alarms needs to know, gathered once by whoever looks.

    Attributes:
        now_ms: when it is [UTC ms].
        sites: how each site stands, by its key: plan, state, status, readings.
        gateways: what each gateway is doing, by its key.
        gateway_names: how people call them, by key.
        supplies: what the last weeks say of each site's supply, by site key.
        storage: whether storing is abnormal, with words; unknown where nobody told.
        poller: whether polling itself stands still, likewise.
        test: whether a test alarm is to stand.
        orders: the newest order to each output, by site key and tag.
        dawns: the newest night of each supply that was judged, by site key.
        traces: the readings of a while of points whose rate of change is watched.
        counts: what is remembered of totalizers; switched: of outputs with a proof.
        permits: how permits stand, by their number.

    """

    now_ms: int
    sites: Mapping[str, SiteStanding] = field(default_factory=dict)
    gateways: Mapping[str, GatewayState] = field(default_factory=dict)
    gateway_names: Mapping[str, str] = field(default_factory=dict)
    supplies: Mapping[str, SupplyHealth] = field(default_factory=dict)
    storage: Seen = UNKNOWN
    poller: Seen = UNKNOWN
    test: Seen = UNKNOWN
    orders: Mapping[PlaceOf, Order] = field(default_factory=dict)
    dawns: Mapping[str, Dawn] = field(default_factory=dict)
    traces: Mapping[PlaceOf, Trace] = field(default_factory=dict)
    counts: Mapping[PlaceOf, Counted] = field(default_factory=dict)
    switched: Mapping[PlaceOf, Switched] = field(default_factory=dict)
    permits: Mapping[int, Permitted] = field(default_factory=dict)


def seen_of(alarm: Alarm, around: Around) -> Seen:
    """Return what a look finds of an alarm's condition; unknown where nothing can be said."""
    of_us = _OF_US.get(alarm.kind)
    if of_us is not None:
        return of_us(around)
    if alarm.kind is Kind.GATEWAY:
        return _gateway(around.gateways.get(alarm.gateway), around.now_ms)
    if alarm.kind is Kind.PERMIT:
        return judge_permit(alarm, around.permits, around.now_ms)
    site = around.sites.get(alarm.site)
    return UNKNOWN if site is None else _of_site(alarm, site, around)


def _of_site(alarm: Alarm, site: SiteStanding, around: Around) -> Seen:
    if alarm.kind is Kind.COMM_FAIL:
        return _contact(site, around.gateways.get(alarm.gateway))
    if alarm.kind is Kind.FORECAST:
        return _forecast(alarm, around.supplies.get(alarm.site), around.now_ms)
    judge, point = _OF_POINT.get(alarm.kind), site.plan.site.point(alarm.tag)
    return UNKNOWN if judge is None or point is None else judge(alarm, site, point, around)


# --- of a point ------------------------------------------------------------------------------


def _limit(alarm: Alarm, site: SiteStanding, point: Point, _: Around) -> Seen:
    reading = site.readings.get(point.tag)
    value = number_of(reading)
    if reading is None or value is None or not is_known(reading):
        return UNKNOWN
    above = alarm.kind in (Kind.HIGH, Kind.HIGH_HIGH)
    return judged(alarm, value, reading.at_ms, spoken(value, point.unit), above=above)


def _supply(alarm: Alarm, site: SiteStanding, point: Point, around: Around) -> Seen:
    supply, dawn = site.plan.site.supply, around.dawns.get(alarm.site)
    offset_v = supply.meter_offset_v if supply is not None else 0.0  # shown = true + offset
    live = _live_supply(alarm, site, point, offset_v)
    if supply is None or supply.kind is not SupplyKind.SOLAR or dawn is None:
        return live
    if not 0 <= around.now_ms - dawn.sunrise_ms <= FRESH_MS:
        return live
    return judge_by_dawn(alarm, live, dawn, offset_v, around.now_ms)


def _live_supply(alarm: Alarm, site: SiteStanding, point: Point, offset_v: float) -> Seen:
    reading = site.readings.get(point.tag)
    shown = number_of(reading)
    if reading is None or shown is None or not is_known(reading):
        return UNKNOWN
    words = spoken(shown, "V")
    if offset_v:
        words += f", true {spoken(shown - offset_v, 'V')}"
    return judged(alarm, shown - offset_v, reading.at_ms, words, above=False)


def _rate(alarm: Alarm, site: SiteStanding, point: Point, around: Around) -> Seen:
    trace = around.traces.get((alarm.site, alarm.tag), _NO_TRACE)
    return judge_rate(alarm, site, point, trace)


def _total(alarm: Alarm, site: SiteStanding, point: Point, around: Around) -> Seen:
    found = around.counts.get((alarm.site, alarm.tag))
    return judge_total(site, point, found, around.now_ms)


def _deviation(alarm: Alarm, site: SiteStanding, point: Point, _: Around) -> Seen:
    return judge_deviation(alarm, site, point)


def _feedback(alarm: Alarm, site: SiteStanding, point: Point, around: Around) -> Seen:
    place = alarm.site, alarm.tag
    known, order = around.switched.get(place), around.orders.get(place)
    return judge_feedback(alarm, site, point, known, order)


def _order(alarm: Alarm, _: SiteStanding, __: Point, around: Around) -> Seen:
    return judge_order(around.orders.get((alarm.site, alarm.tag)), around.now_ms)


def _state(alarm: Alarm, site: SiteStanding, point: Point, _: Around) -> Seen:
    reading = site.readings.get(point.tag)
    if reading is None or not is_known(reading) or isinstance(reading.value, str):
        return UNKNOWN
    words = point.words or ("off", "on")
    word = words[1] if reading.value else words[0]
    calls = word == alarm.call_when
    return Seen(Condition.ABNORMAL if calls else Condition.NORMAL, reading.at_ms, word)


def _loop_fault(alarm: Alarm, site: SiteStanding, point: Point, _: Around) -> Seen:
    """Judge a current loop, its raw number in microamps; source: NAMUR NE 43 (secondary)."""
    reading = site.readings.get(point.tag)
    if reading is None or reading.quality is Quality.STALE:
        return UNKNOWN
    if reading.raw is None or isinstance(reading.raw, bool | str):
        return UNKNOWN
    is_fault = loop_condition(float(reading.raw)).is_fault
    words = f"loop {float(reading.raw) / 1000:.2f} mA"
    return Seen(Condition.ABNORMAL if is_fault else Condition.NORMAL, reading.at_ms, words)


def _quality(alarm: Alarm, site: SiteStanding, point: Point, _: Around) -> Seen:
    if point.tag in site.plan.refused:
        at_ms = site.state.last_answer_ms if site.state is not None else None
        words = "the station refuses its register"
        return Seen(Condition.ABNORMAL, at_ms, words) if at_ms is not None else UNKNOWN
    reading = site.readings.get(point.tag)
    if reading is None or reading.at_ms is None or reading.quality is Quality.STALE:
        return UNKNOWN
    is_void = reading.quality is Quality.NONE and reading.raw is None  # else its loop has failed
    words = reading.reason if is_void else ""
    return Seen(Condition.ABNORMAL if is_void else Condition.NORMAL, reading.at_ms, words)


_OF_POINT: Mapping[Kind, Callable[[Alarm, SiteStanding, Point, Around], Seen]] = {
    Kind.LOW_LOW: _limit,
    Kind.LOW: _limit,
    Kind.HIGH: _limit,
    Kind.HIGH_HIGH: _limit,
    Kind.STATE: _state,
    Kind.SUPPLY: _supply,
    Kind.LOOP_FAULT: _loop_fault,
    Kind.QUALITY: _quality,
    Kind.DEVIATION: _deviation,
    Kind.RATE: _rate,
    Kind.TOTALIZER: _total,
    Kind.FEEDBACK: _feedback,
    Kind.ORDER: _order,
}

_OF_US: Mapping[Kind, Callable[[Around], Seen]] = {
    Kind.STORAGE: lambda around: around.storage,
    Kind.POLLER: lambda around: around.poller,
    Kind.TEST: lambda around: around.test,
}

# --- of a site, of a gateway -------------------------------------------------------------------


def _contact(site: SiteStanding, gateway: GatewayState | None) -> Seen:
    """Judge a site's contact by its state, which needs 3 good polls to be in service again.

    A site is silent since its first missed poll; while its gateway was lost nobody asked it, so
    that its silence counts from the gateway's return at the earliest.
    """
    state = site.state
    if state is None or state.last_poll_ms is None:
        return UNKNOWN
    if site.is_silent:
        since_ms = state.since_ms if state.first_miss_ms is None else state.first_miss_ms
        if gateway is not None and gateway.status is GatewayStatus.CONNECTED:
            since_ms = max(since_ms, gateway.since_ms)
        words = f"{state.missed_in_row} polls missed in a row"
        return Seen(Condition.ABNORMAL, state.last_poll_ms, words, since_ms=since_ms)
    if site.status is SiteStatus.IN_SERVICE:
        return Seen(Condition.NORMAL, state.last_poll_ms, "answers")
    if site.status is SiteStatus.MAINTENANCE and state.probe_s is None and not state.missed_in_row:
        return Seen(Condition.NORMAL, state.last_poll_ms, "answers")
    return UNKNOWN


def _gateway(state: GatewayState | None, now_ms: int) -> Seen:
    if state is None or state.status is GatewayStatus.STARTING:
        return UNKNOWN
    if state.status is GatewayStatus.CONNECTED:
        return Seen(Condition.NORMAL, now_ms, "connected")
    words = state.sentence or state.status.word
    return Seen(Condition.ABNORMAL, now_ms, words, since_ms=state.since_ms)


def _forecast(alarm: Alarm, supply: SupplyHealth | None, now_ms: int) -> Seen:
    """Judge in how many days the load may be disconnected, at the sooner end of the range.

    A forecast rests on a week of nights already, so that each look counts as a reading. Where none
    was made, only a supply that was found sound is normal; few nights or old ones tell nothing.
    """
    if supply is None or alarm.limit is None:
        return UNKNOWN
    if supply.verdict is Verdict.DARK_AT_NIGHT:
        return Seen(Condition.ABNORMAL, now_ms, "its load is disconnected at night already")
    if supply.forecast is None:
        is_sound = supply.verdict in _SOUND
        return Seen(Condition.NORMAL, now_ms, "no disconnect foreseen") if is_sound else UNKNOWN
    gone = (now_ms - supply.forecast.at_ms) / DAY_MS
    soonest = max(supply.forecast.low_days - gone, 0.0)
    words = _days(soonest, supply.forecast.high_days, gone)
    return judged(alarm, soonest, now_ms, words, above=False)


def _days(soonest: float, latest: float | None, gone: float) -> str:
    if latest is None:
        return f"load disconnect in {soonest:.0f} days or later"
    return f"load disconnect in {soonest:.0f} to {max(latest - gone, 0.0):.0f} days"

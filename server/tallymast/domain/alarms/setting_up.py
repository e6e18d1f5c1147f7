"""Every alarm of a network, made from its description, with what is usual where nobody wrote it.

Limits, contacts, current loops and values come from the points; contact, supply and forecast from
the site; gateways, storage and the poller stand for themselves. Keys are made of names that people
gave, so that an alarm keeps its history as long as its site and tag keep their names.
"""

from collections.abc import Iterable, Iterator

from tallymast.domain.alarms.delay_defaults import deadband_of, usual_of
from tallymast.domain.alarms.doing import doing_alarms
from tallymast.domain.alarms.model import Alarm, Kind
from tallymast.domain.alarms.of_points import point_alarm
from tallymast.domain.alarms.supply_alarms import supply_alarms
from tallymast.domain.alarms.wording import WORDINGS
from tallymast.domain.model import (
    Gateway,
    Network,
    Point,
    PointKind,
    Priority,
    Site,
    SiteClass,
)

GATEWAY_S = 60.0  # common practice, no published source
# Common practice, no published source: a control site calls after 2 min, a monitored one after 15.
CONTACT_S = {SiteClass.CONTROL: 120.0, SiteClass.MONITORING: 900.0}
DUTY_CYCLED_POLLS = 3  # and 15 min more, for a receiver that sleeps between polls
FEW_URGENT = 3  # ours: from so many urgent kinds at one site on "urgent" says nothing any more

_LOWER = {Priority.URGENT: Priority.HIGH, Priority.HIGH: Priority.NORMAL}


def alarms_of(network: Network) -> tuple[Alarm, ...]:
    """Return every alarm of a network, each key once; retired sites have none."""
    carriers = {site.via for site in network.sites if site.via is not None}
    found = [*_of_system()]
    found += [_of_gateway(gateway) for gateway in network.gateways]
    for site in network.sites:
        found += _of_site(site, is_carrier=site.key in carriers)
    return tuple(found)


def too_many_urgent(network: Network, alarms: Iterable[Alarm]) -> tuple[str, ...]:
    """Return a sentence for each site with so many urgent kinds that none stands out."""
    kinds: dict[str, set[tuple[str, Kind]]] = {}
    for alarm in alarms:
        if alarm.priority is Priority.URGENT and alarm.site:
            kinds.setdefault(alarm.site, set()).add((alarm.tag, alarm.kind))
    names = {site.key: site.name for site in network.sites}
    return tuple(
        f"{names.get(key, key)} has {len(urgent)} urgent alarms. Where many are urgent none stands"
        f" out: keep fewer than {FEW_URGENT}, those that cannot wait ten minutes."
        for key, urgent in kinds.items()
        if len(urgent) >= FEW_URGENT
    )


# A test goes the way of the most urgent: that is the one that has to work at night.
_SYSTEM = (
    (Kind.POLLER, Priority.URGENT),
    (Kind.STORAGE, Priority.HIGH),
    (Kind.TEST, Priority.URGENT),
)


def _of_system() -> Iterator[Alarm]:
    for kind, priority in _SYSTEM:
        rationale, consequence, response = WORDINGS[kind].of("")
        yield Alarm(
            f"//{kind}",
            kind,
            priority,
            rationale=rationale,
            consequence=consequence,
            response=response,
        )


def _of_gateway(gateway: Gateway) -> Alarm:
    rationale, consequence, response = WORDINGS[Kind.GATEWAY].of(gateway.name)
    return Alarm(
        f"/gateway/{gateway.key}",
        Kind.GATEWAY,
        Priority.URGENT,
        gateway=gateway.key,
        on_delay_s=GATEWAY_S,
        rationale=rationale,
        consequence=consequence,
        response=response,
    )


def _of_site(site: Site, *, is_carrier: bool) -> Iterator[Alarm]:
    yield _contact(site, is_carrier=is_carrier)
    yield from supply_alarms(site)
    contacts = sum(point.alarm_when is not None for point in site.points)
    group = f"{site.key}/contacts" if contacts > 1 else ""
    for point in site.points:
        yield from _of_point(site, point, group)


def _contact(site: Site, *, is_carrier: bool) -> Alarm:
    """Make the alarm of a silent site; it is over when its state is, after 3 good polls."""
    is_control = site.site_class is SiteClass.CONTROL or is_carrier
    delay_s = CONTACT_S.get(site.site_class, CONTACT_S[SiteClass.MONITORING])
    if site.site_class is SiteClass.DUTY_CYCLED:
        delay_s += DUTY_CYCLED_POLLS * site.poll_every_s
    rationale, consequence, response = WORDINGS[Kind.COMM_FAIL].of(site.name)
    return Alarm(
        f"{site.key}//{Kind.COMM_FAIL}",
        Kind.COMM_FAIL,
        Priority.HIGH if is_control else Priority.NORMAL,
        site.key,
        gateway=site.gateway,
        on_delay_s=delay_s,
        rationale=rationale,
        consequence=consequence,
        response=response,
    )


# --- of a point ------------------------------------------------------------------------------


def _of_point(site: Site, point: Point, group: str) -> Iterator[Alarm]:
    limits = point.limits
    outer_low, outer_high = limits.low_low is not None, limits.high_high is not None
    own, lower = point.priority, _LOWER.get(point.priority, Priority.NORMAL)
    for kind, limit, priority in (
        (Kind.LOW_LOW, limits.low_low, own),
        (Kind.LOW, limits.low, lower if outer_low else own),
        (Kind.HIGH, limits.high, lower if outer_high else own),
        (Kind.HIGH_HIGH, limits.high_high, own),
    ):
        if limit is not None:
            yield _limit(site, point, kind, limit, priority)
    if point.alarm_when is not None:
        yield _state(site, point, group)
    yield from doing_alarms(site, point, lower)
    yield from _doubts(site, point, lower)


def _limit(site: Site, point: Point, kind: Kind, limit: float, priority: Priority) -> Alarm:
    usual = usual_of(point)
    on_delay_s = usual.on_delay_s if point.on_delay_s is None else point.on_delay_s
    off_delay_s = usual.off_delay_s if point.off_delay_s is None else point.off_delay_s
    return point_alarm(
        site, point, kind, priority, limit, deadband_of(point), on_delay_s, off_delay_s
    )


def _state(site: Site, point: Point, group: str) -> Alarm:
    """Make a contact's alarm: two equal readings are enough where nobody wrote a delay."""
    return point_alarm(
        site,
        point,
        Kind.STATE,
        point.priority,
        on_delay_s=point.on_delay_s or 0.0,
        off_delay_s=point.off_delay_s or 0.0,
        first_up=group,
    )


def _doubts(site: Site, point: Point, priority: Priority) -> Iterator[Alarm]:
    """Make what tells that a watched point cannot be judged; two readings, no delay of its own."""
    if point.loop is not None:
        yield point_alarm(site, point, Kind.LOOP_FAULT, priority)
    limits = point.limits
    every = (limits.low_low, limits.low, limits.high, limits.high_high)
    has_limits = any(limit is not None for limit in every)
    is_supply = point.kind is PointKind.SUPPLY_VOLTAGE and site.supply is not None
    is_compared = point.deviation is not None or point.rate_limit is not None
    if has_limits or is_compared or is_supply or point.alarm_when is not None:
        yield point_alarm(site, point, Kind.QUALITY, priority)

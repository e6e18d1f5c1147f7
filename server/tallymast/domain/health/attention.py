"""Who needs a person now, and why: from the newest states and readings alone.

First form, without history: contact, limits, contacts, supply against its disconnect,
refusals, values that cannot be had. One cause gives one finding: sites behind a lost gateway
or a silent repeater are named there and accused of nothing themselves. A value that is
stale or missing is not judged; it is counted as not known.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from tallymast.domain.health.diagnosis.model import Diagnosis
from tallymast.domain.health.findings import (
    ContactAlarm,
    FarOutside,
    Finding,
    GatewayLost,
    GatewayMute,
    NeverAnswered,
    NoSuchRegister,
    NoValue,
    OfPoint,
    OldValues,
    Outside,
    Overdue,
    PathSilent,
    Refuses,
    Silent,
    SupplyBelowDisconnect,
    SupplyNearDisconnect,
)
from tallymast.domain.health.judged import with_health
from tallymast.domain.health.named import Causes, with_causes
from tallymast.domain.health.since import Since
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.health.together import SilentTogether, silent_together
from tallymast.domain.model import (
    Act,
    GatewayPlan,
    GatewayState,
    GatewayStatus,
    Point,
    PointKind,
    Quality,
    Reading,
    Site,
    SitePlan,
    SiteState,
    SiteStatus,
    Supply,
)

# Ours: the last 0.3 V of a 12 V battery are some hours of load, a few nights in summer.
NEAR_DISCONNECT_V = 0.3
# Ours: five periods and two minutes without being asked is our own fault, not the site's.
OVERDUE_PERIODS = 5
OVERDUE_LEAST_MS = 120_000
# Exceptions that end only when somebody acts: wrong map (01-03), device failure (04), no path
# (0A). MODBUS Application Protocol V1.1b3 section 7. Busy ones (05, 06) end by themselves.
WRONG_THERE = (1, 2, 3, 4, 10)


@dataclass(frozen=True, slots=True)
class Checked:
    """What could be judged at a site, and what could not; counts."""

    supplies: int = 0
    limits: int = 0
    contacts: int = 0
    values: int = 0
    unknown: int = 0  # values with limits, alarm contacts and supplies that could not be judged

    def __add__(self, other: "Checked") -> "Checked":
        return Checked(
            self.supplies + other.supplies,
            self.limits + other.limits,
            self.contacts + other.contacts,
            self.values + other.values,
            self.unknown + other.unknown,
        )


@dataclass(frozen=True, slots=True)
class Standing:
    """How one site stands: what it is doing, its readings, and what is wrong with it alone."""

    plan: SitePlan
    state: SiteState | None
    status: SiteStatus
    readings: Mapping[str, Reading]
    findings: tuple[Finding, ...] = ()
    checked: Checked = field(default_factory=Checked)

    @property
    def waits(self) -> bool:
        """Whether it has not been asked once yet."""
        never = self.state is None or self.state.last_poll_ms is None
        return never and self.status is SiteStatus.NEVER_ANSWERED

    @property
    def is_silent(self) -> bool:
        """Whether it was asked and does not answer."""
        return self.status is SiteStatus.COMM_FAIL or (
            self.status is SiteStatus.NEVER_ANSWERED and not self.waits
        )


def stale_after_ms(site: Site) -> int:
    """Return the age at which a value read with every poll is stale [ms].

    Common practice, no published source: three periods, at least a minute.
    """
    return round(max(3 * site.poll_every_s, 60.0) * 1000)


def stands(
    plan: SitePlan,
    state: SiteState | None,
    gateway: GatewayState | None,
    readings: Iterable[Reading],
    now_ms: int,
) -> Standing:
    """Return how a site stands, judged by its own newest state and readings."""
    status = effective_status(plan, state, gateway)
    by_tag = {reading.tag: reading for reading in readings}
    standing = Standing(plan, state, status, by_tag)
    if status is not SiteStatus.IN_SERVICE or state is None:
        alone = _silence(standing)
        return Standing(plan, state, status, by_tag, alone, _unjudged(plan.site, status))
    findings, checked = _judge(plan.site, by_tag)
    late = _lateness(plan.site, state, by_tag, now_ms)
    refused: list[Finding] = []
    if plan.refused:
        missing = [point for point in plan.site.points if point.tag in plan.refused]
        refused.append(NoSuchRegister(plan.site, tuple(missing)))
    elif state.code in WRONG_THERE:
        refused.append(Refuses(plan.site, state.code))
    return Standing(plan, state, status, by_tag, (*refused, *findings, *late), checked)


def effective_status(
    plan: SitePlan, state: SiteState | None, gateway: GatewayState | None
) -> SiteStatus:
    """Return what the site is doing; what people said of it and its gateway's loss included."""
    if not plan.is_polled:
        return SiteStatus.NOT_POLLED
    if plan.act is Act.MAINTENANCE:
        return SiteStatus.MAINTENANCE
    own = SiteStatus.NEVER_ANSWERED if state is None else state.status
    if own in (SiteStatus.NOT_POLLED, SiteStatus.MAINTENANCE):
        return own
    if gateway is not None and gateway.status is GatewayStatus.UNREACHABLE:
        return SiteStatus.UNREACHABLE
    return own


@dataclass(frozen=True, slots=True)
class Needs:
    """What calls for a person, most pressing first, one line a cause; and why, where it is known.

    Attributes:
        found: the findings.
        causes: the causes named for them, the surest first, by a finding's key.

    """

    found: tuple[Finding, ...] = ()
    causes: Causes = field(default_factory=dict)

    def of(self, site_key: str) -> tuple[Finding, ...]:
        """Return what calls for a person at a site, or at what carries it."""
        return tuple(one for one in self.found if site_key in one.site_keys)


def needs(
    gateways: Sequence[GatewayPlan],
    gateway_states: Mapping[int, GatewayState],
    standings: Mapping[int, Standing],
    health: Mapping[int, SiteHealth] | None = None,
    began: Mapping[str, Since] | None = None,
    named: Sequence[Diagnosis] = (),
) -> Needs:
    """Return everything that calls for a person, most pressing first, one line a cause.

    Args:
        gateways: with their sites.
        gateway_states: what each is doing, by id.
        standings: how each site stands, by id.
        health: what the last weeks say of each, by id.
        began: since when findings about points hold, by their keys.
        named: the causes named, the surest first.

    """
    found: list[Finding] = []
    for gateway in gateways:
        here = [standings[plan.site_id] for plan in gateway.sites if plan.site_id in standings]
        found += _of_gateway(gateway, gateway_states.get(gateway.gateway_id), here)
    found = [_begun(one, began or {}) for one in with_health(found, gateways, health or {})]
    told, causes = with_causes(found, named, gateways)
    return Needs(tuple(sorted(told, key=lambda finding: finding.rank)), causes)  # stable


def _begun(finding: Finding, began: Mapping[str, Since]) -> Finding:
    known = began.get(finding.key)
    if known is None or not isinstance(finding, OfPoint):
        return finding
    return replace(finding, since_ms=known.at_ms, last_ms=known.last_ms, last=known.last)


def _of_gateway(
    gateway: GatewayPlan, state: GatewayState | None, here: Sequence[Standing]
) -> list[Finding]:
    polled = tuple(s.plan.site.key for s in here if s.status is not SiteStatus.NOT_POLLED)
    if state is not None and state.status is GatewayStatus.UNREACHABLE:
        return [GatewayLost(gateway.gateway, state.since_ms, polled, state.sentence)]
    if state is not None and state.status is GatewayStatus.MUTE:
        return [GatewayMute(gateway.gateway, state.since_ms, polled, state.sentence)]
    together = _silent_together(gateway, here)
    grouped = {key for one in together for key in one.site_keys}
    paths = [one for one in _silent_paths(here) if not grouped.issuperset(one.site_keys)]
    explained = grouped | {key for path in paths for key in path.site_keys}
    alone = [f for s in here if s.plan.site.key not in explained for f in s.findings]
    return [*together, *paths, *alone]


def _silent_together(gateway: GatewayPlan, here: Sequence[Standing]) -> list[SilentTogether]:
    silent = [(s.plan, s.state) for s in here if s.status is SiteStatus.COMM_FAIL and s.state]
    return silent_together(gateway, silent, [s.state for s in here if s.state is not None])


def _silent_paths(here: Sequence[Standing]) -> list[Finding]:
    silent = {s.plan.site.key: s for s in here if s.is_silent}
    behind: dict[str, list[str]] = {}
    for key, standing in silent.items():
        root = _first_silent(standing, silent)
        if root != key:
            behind.setdefault(root, []).append(key)
    return [
        PathSilent(
            silent[root].plan.site,
            _since(silent[root]),
            tuple(keys),
            supply_reading(silent[root].plan.site, silent[root].readings),
        )
        for root, keys in behind.items()
    ]


def _first_silent(standing: Standing, silent: Mapping[str, Standing]) -> str:
    """Follow the path towards the gateway as far as it is silent without a break."""
    key = standing.plan.site.key
    via = standing.plan.site.via
    while via is not None and via in silent:
        key, via = via, silent[via].plan.site.via
    return key


def _since(standing: Standing) -> int:
    state = standing.state
    if state is None:
        return 0
    return state.first_miss_ms if state.first_miss_ms is not None else state.since_ms


def _silence(standing: Standing) -> tuple[Finding, ...]:
    site, state = standing.plan.site, standing.state
    if state is None or not standing.is_silent:
        return ()
    if standing.status is SiteStatus.NEVER_ANSWERED:
        return (NeverAnswered(site, _since(standing), state.missed_in_row),)
    supply = supply_reading(site, standing.readings)
    return (Silent(site, _since(standing), state.missed_in_row, state.last_answer_ms, supply),)


def supply_reading(site: Site, readings: Mapping[str, Reading]) -> Reading | None:
    """Return the reading of the site's supply voltage, if it has one with a number."""
    for point in site.points:
        if point.kind is PointKind.SUPPLY_VOLTAGE:
            reading = readings.get(point.tag)
            if reading is not None and number_of(reading) is not None:
                return reading
    return None


def number_of(reading: Reading | None) -> float | None:
    """Return a reading's value where it is a number, else None; a contact is not one."""
    if reading is None or isinstance(reading.value, bool | str) or reading.value is None:
        return None
    return float(reading.value)


def _is_known(reading: Reading | None) -> bool:
    return (
        reading is not None
        and reading.value is not None
        and reading.quality in (Quality.GOOD, Quality.SUSPECT)
    )


def _judge(site: Site, readings: Mapping[str, Reading]) -> tuple[list[Finding], Checked]:
    findings: list[Finding] = []
    counts: list[Checked] = []
    for point in site.points:
        found, count = _judge_point(site, point, readings.get(point.tag))
        findings += found
        if count is not _NOTHING:
            counts.append(count)
    return findings, _together(counts)


def _together(counts: Iterable[Checked]) -> Checked:
    supplies = limits = contacts = values = unknown = 0
    for one in counts:
        supplies += one.supplies
        limits += one.limits
        contacts += one.contacts
        values += one.values
        unknown += one.unknown
    return Checked(supplies, limits, contacts, values, unknown)


# One for each way a point can be judged, made once: a round judges thousands of points.
_NOTHING = Checked()
_UNKNOWN = Checked(unknown=1)
_NO_VALUE = Checked(values=1, unknown=1)
_CONTACT = Checked(contacts=1, values=1)
_SUPPLY = Checked(supplies=1, values=1)
_LIMITS = Checked(limits=1, values=1)
_VALUE = Checked(values=1)


def _judge_point(
    site: Site, point: Point, reading: Reading | None
) -> tuple[list[Finding], Checked]:
    if reading is None:
        return [], _UNKNOWN if _is_judged(point, site) else _NOTHING
    if reading.quality is Quality.NONE and reading.at_ms is not None:
        return [NoValue(site, point, reading)], _NO_VALUE
    if not _is_known(reading):
        return [], _UNKNOWN if _is_judged(point, site) else _NOTHING
    if point.alarm_when is not None:
        return _contact(site, point, reading), _CONTACT
    if point.kind is PointKind.SUPPLY_VOLTAGE and _disconnect_v(site) is not None:
        return _supply(site, reading), _SUPPLY
    return _limits(site, point, reading), _LIMITS if _has_limits(point) else _VALUE


def _is_judged(point: Point, site: Site) -> bool:
    supply = point.kind is PointKind.SUPPLY_VOLTAGE and _disconnect_v(site) is not None
    return supply or point.alarm_when is not None or _has_limits(point)


def _has_limits(point: Point) -> bool:
    limits = point.limits
    return not (limits.low_low is limits.low is limits.high is limits.high_high is None)


def _contact(site: Site, point: Point, reading: Reading) -> list[Finding]:
    words = point.words or ("off", "on")
    word = words[1] if reading.value else words[0]
    return [ContactAlarm(site, point, reading)] if word == point.alarm_when else []


def _limits(site: Site, point: Point, reading: Reading) -> list[Finding]:
    value, limits = number_of(reading), point.limits
    if value is None:
        return []
    if limits.low_low is not None and value <= limits.low_low:
        return [FarOutside(site, point, reading, limits.low_low, above=False)]
    if limits.high_high is not None and value >= limits.high_high:
        return [FarOutside(site, point, reading, limits.high_high, above=True)]
    if limits.low is not None and value <= limits.low:
        return [Outside(site, point, reading, limits.low, above=False)]
    if limits.high is not None and value >= limits.high:
        return [Outside(site, point, reading, limits.high, above=True)]
    return []


def _disconnect_v(site: Site) -> float | None:
    return site.supply.disconnect_v if site.supply is not None else None


def _supply(site: Site, reading: Reading) -> list[Finding]:
    volts, supply = number_of(reading), site.supply
    if volts is None or supply is None or supply.disconnect_v is None:
        return []
    if volts <= supply.disconnect_v:
        return [SupplyBelowDisconnect(site, reading, supply.disconnect_v)]
    if volts <= supply.disconnect_v + near_disconnect_v(supply):
        return [SupplyNearDisconnect(site, reading, supply.disconnect_v)]
    return []


def near_disconnect_v(supply: Supply) -> float:
    """Return how far above the disconnect voltage a supply is worth a look [V]."""
    return NEAR_DISCONNECT_V * supply.nominal_v / 12.0


def late_after_ms(site: Site) -> float:
    """Return the time without a poll after which one is overdue [ms]."""
    return max(OVERDUE_PERIODS * site.poll_every_s * 1000, OVERDUE_LEAST_MS)


def _lateness(
    site: Site, state: SiteState, readings: Mapping[str, Reading], now_ms: int
) -> list[Finding]:
    late_ms = late_after_ms(site)
    if state.last_poll_ms is not None and now_ms - state.last_poll_ms > late_ms:
        return [Overdue(site, state.last_poll_ms)]
    old = [(point, readings[point.tag]) for point in site.points if point.tag in readings]
    stale = [
        (p, r.at_ms)
        for p, r in old
        if r.quality is Quality.STALE and r.at_ms is not None and now_ms - r.at_ms > late_ms
    ]
    if not stale:
        return []
    return [OldValues(site, tuple(p for p, _ in stale), min(at for _, at in stale))]


def _unjudged(site: Site, status: SiteStatus) -> Checked:
    if status in (SiteStatus.NOT_POLLED, SiteStatus.MAINTENANCE):
        return Checked()
    return Checked(unknown=sum(_is_judged(point, site) for point in site.points))

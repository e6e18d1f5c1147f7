"""What a site's last weeks add to what its newest readings say, one line a cause.

A supply that drops the load each night explains the site's silence; several sites whose contact
became worse together in one direction are one line.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

from tallymast.domain.bearings import bearing_between, narrow_arc
from tallymast.domain.health.comms.model import ContactChange, Share, SignalStep, SlowAnswers
from tallymast.domain.health.findings import (
    Finding,
    OfSite,
    OfSites,
    Silent,
    SupplyBelowDisconnect,
    SupplyNearDisconnect,
)
from tallymast.domain.health.site_health import NOT_JUDGED, SiteHealth
from tallymast.domain.health.supply.model import SupplyHealth, Verdict
from tallymast.domain.model import GatewayPlan, Site, SitePlan

SOON_DAYS = 10.0  # ours: a battery is ordered, a visit planned within so many days
_LASTING = 0.95  # ours: below, retries no longer hide what is wrong
_LASTING_OF_FEW = 0.8  # the same where an interval cannot be given
_TOGETHER_MS = 3 * 3_600_000  # ours: changes are known to the hour, and found one after the other
_LEAST_TOGETHER = 2  # ours: same hours, same direction; chance seldom does that
_FAILS = (Verdict.NOT_CHARGING, Verdict.OVERCHARGING, Verdict.DARK_AT_NIGHT)
_WATCH = (Verdict.DECLINING, Verdict.AGEING, Verdict.STUCK)


@dataclass(frozen=True, slots=True)
class SupplyJudged(OfSite):
    """What a supply's nights call for."""

    health: SupplyHealth
    silent_since_ms: int | None = None  # dark at the moment
    about: ClassVar[str] = "supply"


@dataclass(frozen=True, slots=True)
class SupplyFails(SupplyJudged):
    """A supply that needs somebody soon."""

    rank: ClassVar[int] = 5


@dataclass(frozen=True, slots=True)
class SupplyWatch(SupplyJudged):
    """A supply worth watching."""

    rank: ClassVar[int] = 10
    act: ClassVar[bool] = False


@dataclass(frozen=True, slots=True)
class ContactJudged(OfSite):
    """Contact that has become worse than the site's own."""

    change: ContactChange | None
    signal: SignalStep | None
    about: ClassVar[str] = "contact"


@dataclass(frozen=True, slots=True)
class ContactBroken(ContactJudged):
    """Much worse, or with a step of the signal."""

    rank: ClassVar[int] = 8


@dataclass(frozen=True, slots=True)
class ContactWatch(ContactJudged):
    """Somewhat worse."""

    rank: ClassVar[int] = 12
    act: ClassVar[bool] = False


@dataclass(frozen=True, slots=True)
class AnswersSlower(OfSite):
    """Answers take longer than they used to: retries that the radio makes by itself."""

    slow: SlowAnswers
    rank: ClassVar[int] = 13
    act: ClassVar[bool] = False


@dataclass(frozen=True, slots=True)
class WorseTogether(OfSites):
    """Sites in one direction from their gateway whose contact became worse together."""

    bearing_deg: tuple[float, float]
    rank: ClassVar[int] = 9
    act: ClassVar[bool] = False

    @property
    def key(self) -> str:
        """Name the finding the same way as long as it lasts."""
        first, last = self.bearing_deg
        middle = (first + (last - first) % 360.0 / 2) % 360.0
        return f"together-{self.gateway.key}-{round(middle / 45.0) % 8}"  # whoever joins later


def with_health(
    found: Iterable[Finding], gateways: Sequence[GatewayPlan], health: Mapping[int, SiteHealth]
) -> list[Finding]:
    """Return findings of the moment with what the last weeks add, one line a cause."""
    found = list(found)
    silent = {one.site.key: one for one in found if isinstance(one, Silent)}
    busy = {key for one in found if not isinstance(one, OfSite) for key in one.site_keys}
    supplies = [
        one
        for _, plan in _plans(gateways, busy)
        if (one := _supply(plan, health.get(plan.site_id, NOT_JUDGED), silent)) is not None
    ]
    contacts = [
        one for gateway in gateways for one in _contacts(gateway, health, busy | silent.keys())
    ]
    return [*_unexplained(found, supplies), *supplies, *contacts]


def _plans(gateways: Sequence[GatewayPlan], busy: set[str]) -> list[tuple[GatewayPlan, SitePlan]]:
    return [
        (gateway, plan)
        for gateway in gateways
        for plan in gateway.sites
        if plan.is_polled and plan.site.key not in busy
    ]


def _unexplained(found: Sequence[Finding], supplies: Sequence[SupplyJudged]) -> list[Finding]:
    """Drop what a judged supply says better: that it is low, or that its site is dark."""
    judged = {one.site.key for one in supplies}
    dark = {one.site.key for one in supplies if one.silent_since_ms is not None}
    low = (SupplyNearDisconnect, SupplyBelowDisconnect)
    return [
        one
        for one in found
        if not (isinstance(one, low) and one.site.key in judged)
        and not (isinstance(one, Silent) and one.site.key in dark)
    ]


def _supply(
    plan: SitePlan, health: SiteHealth, silent: Mapping[str, Silent]
) -> SupplyJudged | None:
    supply = health.supply
    if supply is None:
        return None
    now_silent = silent.get(plan.site.key)
    if supply.verdict in _FAILS or (supply.forecast and supply.forecast.low_days <= SOON_DAYS):
        is_dark = supply.verdict is Verdict.DARK_AT_NIGHT and now_silent is not None
        since_ms = now_silent.since_ms if is_dark and now_silent is not None else None
        return SupplyFails(plan.site, supply, since_ms)
    return SupplyWatch(plan.site, supply) if supply.verdict in _WATCH else None


# --- contact --------------------------------------------------------------------------


def _contacts(
    gateway: GatewayPlan, health: Mapping[int, SiteHealth], busy: set[str]
) -> list[Finding]:
    worse: list[ContactJudged] = []
    slower: list[Finding] = []
    for _, plan in _plans((gateway,), busy):
        comm = health.get(plan.site_id, NOT_JUDGED).comm
        if comm is None:
            continue
        if comm.change is not None or comm.signal is not None:
            worse.append(_worse(plan.site, comm.change, comm.signal))
        elif comm.slow is not None:
            slower.append(AnswersSlower(plan.site, comm.slow))
    together = _together(gateway, worse)
    grouped = {key for one in together for key in one.site_keys}
    return [*together, *(one for one in worse if one.site.key not in grouped), *slower]


def _worse(site: Site, change: ContactChange | None, signal: SignalStep | None) -> ContactJudged:
    broken = signal is not None or (change is not None and _is_broken(change.delivered))
    return (ContactBroken if broken else ContactWatch)(site, change, signal)


def _is_broken(delivered: Share) -> bool:
    """Whether retries no longer hide it: beyond chance, or plainly where little is known."""
    if delivered.high is not None:
        return delivered.high < _LASTING
    return delivered.share is not None and delivered.share < _LASTING_OF_FEW


_Begun = tuple[int, float, Site]  # when it became worse, true bearing from the gateway


def _together(gateway: GatewayPlan, worse: Sequence[ContactJudged]) -> list[WorseTogether]:
    """Return sites in one direction that became worse at about the same time, two at least.

    Who lies in the same direction and became worse later is taken along.
    """
    begun: list[_Begun] = [
        (one.change.at_ms, bearing, one.site)
        for one in worse
        if one.change is not None
        and one.signal is None
        and (bearing := bearing_between(gateway.gateway, one.site)) is not None
    ]
    begun.sort(key=lambda one: one[0])
    found: list[WorseTogether] = []
    while len(begun) >= _LEAST_TOGETHER:
        group = [one for one in begun if one[0] - begun[0][0] <= _TOGETHER_MS]
        usual_ms, rest = group[len(group) // 2][0], begun[len(group) :]
        if len(group) >= _LEAST_TOGETHER and _arc(group) is not None:
            for one in rest:
                group = [*group, one] if _arc([*group, one]) is not None else group
            sites, arc = tuple(site for _, _, site in group), _arc(group)
            assert arc is not None
            found.append(WorseTogether(gateway.gateway, sites, usual_ms, arc))
        begun = [one for one in rest if one not in group]
    return found


def _arc(group: Sequence[_Begun]) -> tuple[float, float] | None:
    return narrow_arc([bearing for _, bearing, _ in group])

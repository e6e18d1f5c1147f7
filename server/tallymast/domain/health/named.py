"""Joins findings with the causes that were named for them: one line a cause.

What a finding says stays as it is; its cause stands behind it. A cause that no finding tells of
yet is a finding of its own, and one that explains several sites' findings takes their place.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

from tallymast.domain.health.diagnosis.model import About, Confidence, Diagnosis
from tallymast.domain.health.findings import (
    Finding,
    GatewayLost,
    GatewayMute,
    NeverAnswered,
    NoSuchRegister,
    NoValue,
    OfSite,
    PathSilent,
    Refuses,
    Silent,
    SupplyBelowDisconnect,
    SupplyNearDisconnect,
)
from tallymast.domain.health.judged import (
    AnswersSlower,
    ContactJudged,
    SupplyJudged,
    WorseTogether,
)
from tallymast.domain.health.together import SilentTogether
from tallymast.domain.model import Gateway, GatewayPlan, Site


@dataclass(frozen=True, slots=True)
class Named(Finding):
    """A cause that no other finding tells of; ``sites`` are those it accuses."""

    gateway: Gateway
    sites: tuple[Site, ...]
    diagnosis: Diagnosis

    @property
    def key(self) -> str:
        """Name the finding the same way as long as it lasts."""
        return self.diagnosis.key

    @property
    def site_keys(self) -> tuple[str, ...]:
        """Name the sites that need somebody because of it."""
        return tuple(site.key for site in self.sites)


@dataclass(frozen=True, slots=True)
class NamedFault(Named):
    """One that calls for a person today."""

    rank: ClassVar[int] = 8


@dataclass(frozen=True, slots=True)
class NamedWatch(Named):
    """One worth watching."""

    rank: ClassVar[int] = 12
    act: ClassVar[bool] = False


_ABOUT: Mapping[type[Finding], About] = {
    GatewayLost: About.CONTACT,
    GatewayMute: About.CONTACT,
    PathSilent: About.CONTACT,
    SilentTogether: About.CONTACT,
    Silent: About.CONTACT,
    NeverAnswered: About.CONTACT,
    ContactJudged: About.CONTACT,
    AnswersSlower: About.CONTACT,
    WorseTogether: About.CONTACT,
    SupplyJudged: About.SUPPLY,
    SupplyBelowDisconnect: About.SUPPLY,
    SupplyNearDisconnect: About.SUPPLY,
    NoValue: About.POINT,
    Refuses: About.MAP,
    NoSuchRegister: About.MAP,
}
_FAULTS = frozenset({About.SUPPLY, About.POINT, About.MAP})

Causes = Mapping[str, tuple[Diagnosis, ...]]
"""The causes named for each finding, the surest first, by the finding's key."""


def with_causes(
    found: Sequence[Finding], named: Sequence[Diagnosis], gateways: Sequence[GatewayPlan]
) -> tuple[list[Finding], Causes]:
    """Return findings with those that causes add, and the causes of each by its key.

    Args:
        found: what newest states and weeks call for.
        named: the causes named, the surest first.
        gateways: with their sites.

    """
    told, causes = list(found), dict[str, tuple[Diagnosis, ...]]()
    masts = {each.gateway_id: each.gateway for each in gateways}
    sites = {plan.site_id: plan.site for each in gateways for plan in each.sites} if named else {}
    for one in named:
        accused = _accused(one, masts, sites)
        if accused is None:
            continue
        line, replaced = _line(one, accused, told)
        told = [finding for finding in told if finding not in replaced]
        if line not in told:
            told.append(line)
        causes[line.key] = (*causes.get(line.key, ()), one)
    return told, causes


@dataclass(frozen=True, slots=True)
class _Accused:
    gateway: Gateway
    sites: tuple[Site, ...]

    @property
    def keys(self) -> frozenset[str]:
        return frozenset(site.key for site in self.sites)


def _accused(
    one: Diagnosis, masts: Mapping[int, Gateway], sites: Mapping[int, Site]
) -> _Accused | None:
    """Return whom a cause accuses, None where the network has none of them any more."""
    gateway = masts.get(one.gateway_id)
    if gateway is None:
        return None
    accused = tuple(sites[site_id] for site_id in one.site_ids if site_id in sites)
    return None if one.site_ids and not accused else _Accused(gateway, accused)


def _line(
    one: Diagnosis, accused: _Accused, told: Sequence[Finding]
) -> tuple[Finding, Sequence[Finding]]:
    """Return the finding a cause stands behind, and those whose place it takes."""
    own = [finding for finding in told if _tells_of(finding, one, accused)]
    shared = [finding for finding in own if not isinstance(finding, OfSite)]
    if shared:
        return shared[0], [finding for finding in own if isinstance(finding, OfSite)]
    if own and len(accused.sites) == 1:
        return own[0], ()
    is_fault = one.about in _FAULTS and one.confidence is not Confidence.POSSIBLE
    kind = NamedFault if is_fault or any(finding.act for finding in own) else NamedWatch
    return kind(accused.gateway, accused.sites, one), own


def _tells_of(finding: Finding, one: Diagnosis, accused: _Accused) -> bool:
    about = next((about for kind, about in _ABOUT.items() if isinstance(finding, kind)), None)
    if isinstance(finding, Named):
        return False
    if about is not one.about and about not in one.explains:
        return False
    if isinstance(finding, GatewayLost | GatewayMute):
        return not one.site_ids and finding.gateway.key == accused.gateway.key
    if isinstance(finding, NoValue) and finding.point.tag != one.tag:
        return False
    return bool(accused.keys & set(finding.site_keys))

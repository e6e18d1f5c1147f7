"""Sites that are silent at the moment because of one cause: a whole mast, or one direction.

A repeater and what is behind it is found by the path itself (attention.py); here is what a path
does not explain. A share of a gateway's sites alone would miss a storm cell that takes 4 of 12.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

from tallymast.domain.bearings import bearing_between
from tallymast.domain.health.comms.common import Placed, common_causes
from tallymast.domain.health.comms.model import CommonCause, Outage
from tallymast.domain.health.findings import OfSites
from tallymast.domain.model import Gateway, GatewayPlan, Site, SitePlan, SiteState


@dataclass(frozen=True, slots=True)
class SilentTogether(OfSites):
    """Sites that fell silent together: most of a gateway's, or all in one direction."""

    rank: ClassVar[int] = 2

    @property
    def key(self) -> str:
        """Name the finding the same way as long as it lasts."""
        where = "mast" if self.bearing_deg is None else self.sites[0].key
        return f"silent-{self.gateway.key}-{where}"


def placed_sites(gateway: GatewayPlan, ids: Mapping[str, int]) -> list[Placed]:
    """Return where a gateway's polled sites stand; ``ids`` are all sites' by key."""
    return [
        placed_site(plan.site_id, plan.site, gateway.gateway, ids)
        for plan in gateway.sites
        if plan.is_polled
    ]


def placed_site(site_id: int, site: Site, gateway: Gateway, ids: Mapping[str, int]) -> Placed:
    """Return where a site stands; ``ids`` are all sites' by key."""
    return Placed(
        site_id,
        gateway.key,
        ids.get(site.via) if site.via else None,
        bearing_between(gateway, site),
        round(site.poll_every_s * 1000),
    )


def placed(gateways: Sequence[GatewayPlan]) -> list[Placed]:
    """Return where every polled site stands, for finding what sites that fall silent share."""
    ids = {plan.site.key: plan.site_id for one in gateways for plan in one.sites}
    return [each for one in gateways for each in placed_sites(one, ids)]


def silent_together(
    gateway: GatewayPlan, silent: Sequence[tuple[SitePlan, SiteState]], states: Sequence[SiteState]
) -> list[SilentTogether]:
    """Return the common causes of sites that are silent now, paths left out.

    Args:
        gateway: whose sites.
        silent: the silent ones, each with its state.
        states: those of all its polled sites.

    """
    if len(silent) < 3:
        return []
    plans = {plan.site_id: plan for plan, _ in silent}
    outages = {
        plan.site_id: [
            Outage(
                plan.site_id,
                state.since_ms if state.first_miss_ms is None else state.first_miss_ms,
                None,
                state.missed_in_row,
                state.last_answer_ms,
            )
        ]
        for plan, state in silent
    }
    heard = {one.site_id: one.last_answer_ms for one in states if one.last_answer_ms is not None}
    ids = {plan.site.key: plan.site_id for plan in gateway.sites}
    causes = common_causes(outages, placed_sites(gateway, ids), newest_answer_ms=heard)
    return [_finding(gateway, plans, cause) for cause in causes if cause.kind != "path"]


def _finding(
    gateway: GatewayPlan, plans: dict[int, SitePlan], cause: CommonCause
) -> SilentTogether:
    sites = tuple(plans[site_id].site for site_id in cause.site_ids)
    bearing = cause.bearing_deg if cause.kind == "bearing" else None
    return SilentTogether(gateway.gateway, sites, cause.from_ms, bearing)

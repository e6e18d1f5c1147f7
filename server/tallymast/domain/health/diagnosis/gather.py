"""Puts together each polled site's evidence from how it stands and how it was weighed."""

from collections.abc import Iterable, Mapping

from tallymast.domain.health.attention import Standing, number_of, supply_reading
from tallymast.domain.health.diagnosis.evidence import Moment, SiteEvidence
from tallymast.domain.health.site_health import NOT_JUDGED, SiteHealth
from tallymast.domain.model import GatewayPlan, GatewayState, GatewayStatus, Quality


def gather(
    gateways: Iterable[GatewayPlan],
    gateway_states: Mapping[int, GatewayState],
    standings: Mapping[int, Standing],
    health: Mapping[int, SiteHealth],
    now_ms: int,
) -> tuple[SiteEvidence, ...]:
    """Return the evidence of every polled site.

    Args:
        gateways: with their sites.
        gateway_states: what each is doing, by id.
        standings: how each site stands, by id.
        health: how each site's weeks were weighed, by id.
        now_ms: the instant, UTC milliseconds.

    """
    return tuple(
        SiteEvidence(
            plan.site_id,
            plan.site,
            gateway.gateway_id,
            gateway.gateway,
            now_ms,
            moment_of(standings[plan.site_id], gateway_states.get(gateway.gateway_id)),
            health.get(plan.site_id, NOT_JUDGED),
        )
        for gateway in gateways
        for plan in gateway.sites
        if plan.is_polled and plan.site_id in standings
    )


def moment_of(standing: Standing, gateway: GatewayState | None) -> Moment:
    """Return what a site is doing at the moment."""
    state = standing.state
    first_ms = state.first_miss_ms if state is not None else None
    supply = supply_reading(standing.plan.site, standing.readings)
    return Moment(
        status=standing.status,
        since_ms=first_ms if first_ms is not None else (state.since_ms if state else 0),
        last_answer_ms=state.last_answer_ms if state else None,
        missed_in_row=state.missed_in_row if state else 0,
        code=state.code if state else 0,
        refused=standing.plan.refused,
        supply_v=number_of(supply),
        supply_ms=supply.at_ms if supply else None,
        invalid=tuple(
            (tag, one.reason)
            for tag, one in standing.readings.items()
            if one.quality is Quality.NONE and one.at_ms is not None
        ),
        gateway=gateway.status if gateway else GatewayStatus.STARTING,
        gateway_since_ms=gateway.since_ms if gateway else 0,
        gateway_reason=gateway.sentence if gateway else "",
    )

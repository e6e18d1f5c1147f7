"""Gateways as scripts see them: how each is doing and how full its channel is."""

from fastapi import APIRouter
from pydantic import BaseModel, Field

from tallymast.domain.model import GatewayPlan, GatewayState, GatewayStatus
from tallymast.routes.formats import iso
from tallymast.routes.services import Given

router = APIRouter(prefix="/api/v1", tags=["gateways"])


class GatewayNow(BaseModel):
    """A gateway and the newest that is known of it."""

    key: str
    name: str
    state: str = Field(description="starting, connected, unreachable or mute")
    since: str | None
    cycle_s: float | None = Field(description="how long it now takes to visit every site once")
    airtime_used: float | None = Field(description="share of the last minutes, 0 to 1")
    exchanges: int = Field(description="requests sent since the poller started")
    lateness_s: float = Field(description="the latest an answer is known to have come")
    quarantine_s: float = Field(description="how long an answer is waited out")
    holds_s: float | None = Field(description="poll period it can hold, where asked for less")
    busy_s: dict[str, float] = Field(description="airtime by purpose since the poller started")
    sentence: str = Field(description="what is wrong; empty where nothing is")


@router.get("/gateways")
def list_gateways(given: Given) -> list[GatewayNow]:
    """List every gateway."""
    states = given.live.gateways()
    return [_now(plan, states.get(plan.gateway_id)) for plan in given.network().gateways]


def _now(plan: GatewayPlan, state: GatewayState | None) -> GatewayNow:
    known = state or GatewayState(plan.gateway_id, GatewayStatus.STARTING, 0)
    return GatewayNow(
        key=plan.gateway.key,
        name=plan.gateway.name,
        state=known.status.word,
        since=iso(state.since_ms) if state else None,
        cycle_s=known.cycle_s,
        airtime_used=known.airtime_used,
        exchanges=known.exchanges,
        lateness_s=known.lateness_s,
        quarantine_s=known.quarantine_s or plan.gateway.quarantine_s,
        holds_s=known.holds_s,
        busy_s=dict(known.busy_s),
        sentence=known.sentence,
    )

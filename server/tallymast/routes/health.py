"""Says to machines whether this server does its work."""

from typing import Any

from fastapi import APIRouter
from fastapi.responses import JSONResponse

from tallymast.domain.model import GatewayStatus
from tallymast.routes.formats import iso
from tallymast.routes.services import Given

router = APIRouter(tags=["server"])


@router.get("/healthz")
def healthz(given: Given) -> JSONResponse:
    """Tell how storing, polling and the gateways are; 503 only before the server is ready."""
    if not given.is_ready():
        return JSONResponse({"status": "starting", "version": given.version}, 503)
    storage, poller = given.storage_condition(), given.poller_condition()
    network, states = given.network(), given.live.gateways()
    gateways = {
        gateway.gateway.key: (
            states[gateway.gateway_id].status
            if gateway.gateway_id in states
            else GatewayStatus.STARTING
        ).word
        for gateway in network.gateways
    }
    polled = [s.last_poll_ms for s in given.live.sites().values() if s.last_poll_ms is not None]
    desks = given.desks()
    well = storage.state == "ok" and poller.state != "standing" and not desks
    body: dict[str, Any] = {
        "status": "ok" if well else "degraded",
        "version": given.version,
        "revision": network.revision_id,
        "storage": {
            "state": storage.state,
            "since": iso(storage.since_ms),
            "waiting": storage.waiting,
            "dropped": storage.dropped,
        },
        "poller": {"state": poller.state, "last_poll_at": iso(max(polled, default=None))},
        "standing_still": {one.desk.value: iso(one.since_ms) for one in desks},
        "gateways": gateways,
    }
    return JSONResponse(body)

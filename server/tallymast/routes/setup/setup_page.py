"""The network as it is entered: its gateways, profiles and sites, and where to change them."""

from collections import Counter
from dataclasses import dataclass

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from tallymast.domain import network_file
from tallymast.domain.grammar.mistakes import plain
from tallymast.domain.model import Gateway, Network, Site, Transport
from tallymast.routes.screens import Show
from tallymast.routes.services import Given
from tallymast.routes.setup.changing import as_written
from tallymast.storage.keys import changed_last

router = APIRouter(include_in_schema=False)

_TRANSPORTS = {
    Transport.RTU_OVER_TCP: "RTU over TCP",
    Transport.MODBUS_TCP: "Modbus/TCP",
    Transport.SERIAL: "serial port",
}


@dataclass(frozen=True, slots=True)
class GatewayRow:
    """One gateway in the list."""

    key: str
    name: str
    address: str
    transport: str
    channel: str
    sites: int


@dataclass(frozen=True, slots=True)
class ProfileRow:
    """One profile in the list."""

    key: str
    name: str
    points: int
    sites: int


@dataclass(frozen=True, slots=True)
class SiteRow:
    """One site in the list."""

    key: str
    name: str
    area: str
    gateway: str
    via: str
    unit: int
    profile: str
    every: str
    in_service: bool
    since: str


@router.get("/setup")
def setup(request: Request, given: Given, show: Show, stored: str = "") -> HTMLResponse:
    """Show what the network consists of."""
    base, written = as_written(given)
    network = network_file.build(written, "")
    with given.database.reading() as connection:
        changed = changed_last(connection)
    at = Counter(site.gateway for site in network.sites)
    using = Counter(site.profile for site in (*network.sites, *network.retired))
    names = _names(network)
    context = {
        "base": base,
        "stored": stored,
        "changed": changed,
        "gateways": [_gateway_row(one, at[one.key]) for one in network.gateways],
        "profiles": [
            ProfileRow(one.key, one.name, len(one.points), using[one.key])
            for one in network.profiles
        ],
        "sites": [_site_row(one, names) for one in network.sites],
        "retired": [_site_row(one, names) for one in network.retired],
    }
    return show.page(request, "setup.html", context)


def _names(network: Network) -> dict[tuple[str, str], str]:
    tables = (
        ("gateway", network.gateways),
        ("profile", network.profiles),
        ("site", network.sites),
    )
    return {(table, one.key): one.name for table, things in tables for one in things}


def _gateway_row(gateway: Gateway, sites: int) -> GatewayRow:
    return GatewayRow(
        gateway.key,
        gateway.name,
        gateway.address,
        _TRANSPORTS[gateway.transport],
        f"{gateway.baud} baud, {gateway.character_bits} bits a character",
        sites,
    )


def _site_row(site: Site, names: dict[tuple[str, str], str]) -> SiteRow:
    return SiteRow(
        site.key,
        site.name,
        site.area,
        names.get(("gateway", site.gateway), site.gateway),
        names.get(("site", site.via or ""), site.via or ""),
        site.unit,
        names.get(("profile", site.profile), site.profile),
        f"{plain(site.poll_every_s)} s",
        site.in_service,
        site.retired.isoformat() if site.retired else "",
    )

"""The line monitor: a gateway's last exchanges in bytes with their meaning, while you watch."""

from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Form, Query, Request, Response
from fastapi.responses import HTMLResponse, PlainTextResponse, RedirectResponse

from tallymast.domain.audit import Act
from tallymast.domain.local_times import local_time
from tallymast.domain.model import GatewayPlan, WireLine
from tallymast.domain.zones import find_zone
from tallymast.routes.api.finding import the_gateway
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import ThePerson, tell
from tallymast.storage import wire

SHOWN = 100
WATCHED_MS = 15_000  # an open page renews this every few seconds
LONGEST_MIN = 120

router = APIRouter(include_in_schema=False)

Only = Annotated[str, Query(alias="site", max_length=40)]


@dataclass(frozen=True, slots=True)
class Row:
    """One line as it is shown."""

    at: str
    way: str
    site: str
    hex: str
    meaning: str


@router.get("/gateways/{key}/line")
def line_page(
    request: Request, key: str, given: Given, show: Show, site: Only = ""
) -> HTMLResponse:
    """Show what goes over a gateway's wire; it is recorded while this page is open."""
    plan = the_gateway(given.network(), key)
    _renew(given, plan, WATCHED_MS)
    context = {
        "gateway": plan.gateway,
        "sites": [one.site for one in plan.sites],
        "only": site,
        "rows": _rows(given, plan, site),
        "rows_from": _rows_from(key, site),
        "until_ms": _until(given, plan),
    }
    return show.page(request, "line.html", context)


@router.get("/gateways/{key}/line/rows")
def line_rows(key: str, given: Given, show: Show, site: Only = "") -> HTMLResponse:
    """Return the newest lines, and go on recording."""
    plan = the_gateway(given.network(), key)
    _renew(given, plan, WATCHED_MS)
    context = {"rows": _rows(given, plan, site), "rows_from": _rows_from(key, site)}
    return HTMLResponse(show.fragment("partials/line_rows.html", context))


@router.post("/gateways/{key}/line")
def record(
    key: str,
    given: Given,
    person: ThePerson,
    minutes: Annotated[int, Form(ge=1, le=LONGEST_MIN)],
) -> Response:
    """Record for some minutes, whether or not anybody looks."""
    plan = the_gateway(given.network(), key)
    _renew(given, plan, minutes * 60_000)
    after = {"minutes": minutes}
    told = Act("line.record", "gateway", key, after=after, name=plan.gateway.name)
    with given.database.writing() as connection:
        tell(connection, given, person, told)
    return RedirectResponse(f"/gateways/{key}/line", 303)


@router.get("/gateways/{key}/line.txt")
def download(key: str, given: Given, site: Only = "") -> PlainTextResponse:
    """Return everything that is recorded as text, oldest first, times in UTC."""
    plan = the_gateway(given.network(), key)
    rows = _rows(given, plan, site, wire.SLOTS, UTC)
    text = "\n".join(
        "\t".join((row.at, row.way, row.site, row.hex, row.meaning)) for row in reversed(rows)
    )
    head = "time UTC\tway\tsite\tbytes\tmeaning\n"
    name = f'attachment; filename="{key}-line.txt"'
    return PlainTextResponse(head + text + "\n", headers={"Content-Disposition": name})


def _rows_from(key: str, site: str) -> str:
    return f"/gateways/{key}/line/rows?{urlencode({'site': site})}"


def _renew(given: Services, plan: GatewayPlan, span_ms: int) -> None:
    with given.database.writing() as connection:
        wire.watch(connection, plan.gateway_id, given.now_ms() + span_ms)


def _until(given: Services, plan: GatewayPlan) -> int:
    with given.database.reading() as connection:
        return wire.watched(connection).get(plan.gateway_id, 0)


def _rows(
    given: Services, plan: GatewayPlan, key: str, limit: int = SHOWN, zone: tzinfo | None = None
) -> list[Row]:
    names = {one.site_id: one.site.name for one in plan.sites}
    only = next((one.site_id for one in plan.sites if one.site.key == key), None)
    with given.database.reading() as connection:
        lines = wire.load(connection, plan.gateway_id, site_id=only, limit=limit)
    there = zone or find_zone(given.network().time_zone)
    return [_row(line, names, there) for line in lines]


def _row(line: WireLine, names: dict[int, str], zone: tzinfo) -> Row:
    at = local_time(line.at_ms, zone)
    clock = f"{at:%Y-%m-%d %H:%M:%S}" if zone is UTC else f"{at:%H:%M:%S}"
    name = names.get(line.site_id, "") if line.site_id is not None else ""
    return Row(f"{clock}.{line.at_ms % 1000:03d}", line.way, name, line.body.hex(" "), line.meaning)

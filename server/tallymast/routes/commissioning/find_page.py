"""Finding stations behind a gateway: which addresses answer, how fast, and as what."""

from dataclasses import dataclass
from typing import Annotated, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Form, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from tallymast.domain.audit import Act
from tallymast.domain.commissioning.scanning import (
    USUAL_LAST,
    checked_timeout,
    length_of,
    spans_of,
    units_between,
)
from tallymast.domain.commissioning.switches import LEAST, MOST
from tallymast.domain.errors import ConfigError
from tallymast.domain.model import GatewayPlan
from tallymast.routes.api.finding import the_gateway
from tallymast.routes.commissioning.known_profiles import profiles_of
from tallymast.routes.commissioning.scan_rows import scan_shown
from tallymast.routes.commissioning.scans import ask_scan, blocks_of, newest_scan, questions_of
from tallymast.routes.formats import lasting, plural
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import ThePerson, tell
from tallymast.storage import jobs

router = APIRouter(include_in_schema=False)

Which = Literal["free", "all"]


@dataclass(frozen=True, slots=True)
class Wish:
    """What somebody asks for on the form, as typed."""

    first: int = LEAST
    last: int = USUAL_LAST
    which: str = "free"
    timeout_s: float = 2.0


@dataclass(frozen=True, slots=True)
class Estimate:
    """What a wish comes to: sentences; ``wrong`` where it cannot be done."""

    words: str = ""
    more: str = ""
    wrong: str = ""


@router.get("/gateways/{key}/find")
def find_page(
    request: Request,
    key: str,
    given: Given,
    show: Show,
    first: Annotated[int | None, Query()] = None,
    last: Annotated[int | None, Query()] = None,
    which: Annotated[Which, Query()] = "free",
    timeout: Annotated[float | None, Query()] = None,
) -> HTMLResponse:
    """Show the form, how long it will take, and the newest scan."""
    gateway = the_gateway(given.network(), key)
    wish = _wish(gateway, first, last, which, timeout)
    context = {
        **_scan_context(given, show, gateway),
        "wish": wish,
        "estimate": _estimate(given, gateway, wish),
        "limits": (LEAST, MOST),
        "used": spans_of([plan.site.unit for plan in gateway.sites]),
    }
    return show.page(request, "find.html", context)


@router.get("/gateways/{key}/find/length")
def find_length(
    key: str,
    given: Given,
    show: Show,
    first: Annotated[int | None, Query()] = None,
    last: Annotated[int | None, Query()] = None,
    which: Annotated[Which, Query()] = "free",
    timeout: Annotated[float | None, Query()] = None,
) -> HTMLResponse:
    """Answer how long a scan of this range takes, while the form is filled in."""
    gateway = the_gateway(given.network(), key)
    estimate = _estimate(given, gateway, _wish(gateway, first, last, which, timeout))
    return HTMLResponse(show.fragment("partials/find_length.html", {"estimate": estimate}))


@router.get("/gateways/{key}/find/rows")
def find_rows(key: str, given: Given, show: Show) -> HTMLResponse:
    """Answer what the newest scan has found so far."""
    context = _scan_context(given, show, the_gateway(given.network(), key))
    return HTMLResponse(show.fragment("partials/find_scan.html", context))


@router.post("/gateways/{key}/find")
def begin_find(
    key: str,
    given: Given,
    person: ThePerson,
    first: Annotated[int, Form()],
    last: Annotated[int, Form()],
    which: Annotated[Which, Form()] = "free",
    timeout: Annotated[float | None, Form()] = None,
) -> Response:
    """Ask for a scan; the page tells how it goes."""
    gateway = the_gateway(given.network(), key)
    wish = _wish(gateway, first, last, which, timeout)
    try:
        units, timeout_s = _units(gateway, wish), checked_timeout(wish.timeout_s)
    except ConfigError:  # the page says what is wrong, with everything as it was typed
        typed = {"first": first, "last": last, "which": which, "timeout": wish.timeout_s}
        return RedirectResponse(f"/gateways/{key}/find?{urlencode(typed)}", 303)
    blocks = blocks_of(list(profiles_of(given).values()), gateway)
    ask_scan(given, person, gateway, units, blocks, timeout_s)
    return RedirectResponse(f"/gateways/{key}/find#scan", 303)


@router.post("/gateways/{key}/find/stop")
def stop_find(key: str, given: Given, person: ThePerson) -> Response:
    """Ask for the end of the scan that goes on; what it found stays."""
    gateway = the_gateway(given.network(), key)
    with given.database.writing() as connection:
        job = jobs.newest_of_gateway(connection, "scan", gateway.gateway_id)
        if job is not None and jobs.ask_stop(connection, job.id, given.now_ms()):
            told = Act("gateway.stop-scan", "gateway", key, name=gateway.gateway.name)
            tell(connection, given, person, told)
    return RedirectResponse(f"/gateways/{key}/find#scan", 303)


def _wish(
    gateway: GatewayPlan,
    first: int | None,
    last: int | None,
    which: str,
    timeout: float | None,
) -> Wish:
    usual_s = gateway.gateway.reply_timeout_s
    return Wish(
        LEAST if first is None else first,
        USUAL_LAST if last is None else last,
        which,
        usual_s if timeout is None else timeout,
    )


def _units(gateway: GatewayPlan, wish: Wish) -> tuple[int, ...]:
    used = {plan.site.unit for plan in gateway.sites}
    return units_between(wish.first, wish.last, used, free_only=wish.which == "free")


def _estimate(given: Services, gateway: GatewayPlan, wish: Wish) -> Estimate:
    try:
        units, timeout_s = _units(gateway, wish), checked_timeout(wish.timeout_s)
    except ConfigError as error:
        return Estimate(wrong=str(error))
    blocks = blocks_of(list(profiles_of(given).values()), gateway)
    length = length_of(len(units), questions_of(blocks), timeout_s)
    return Estimate(
        f"{plural(len(units), 'address', 'addresses')} ({spans_of(units)}): at most "
        f"{lasting(1000 * length.silent_s)} where nobody answers",
        f"and up to {lasting(1000 * length.each_s)} more for each station found, while "
        f"{plural(len(blocks), 'profile')} {'is' if len(blocks) == 1 else 'are'} tried on it",
    )


def _scan_context(given: Services, show: Screens, gateway: GatewayPlan) -> dict[str, object]:
    with given.database.reading() as connection:
        scan = newest_scan(connection, gateway)
    profiles = profiles_of(given) if scan else {}
    key = gateway.gateway.key
    return {
        "gateway": gateway.gateway,
        "scan": scan_shown(scan, given.network(), key, profiles) if scan else None,
        "clock": show.clock(),
    }

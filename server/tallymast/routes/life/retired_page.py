"""Retired sites: what each was, and all of its history that is kept."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from tallymast.domain.model import SitePlan
from tallymast.routes.charts import SPANS
from tallymast.routes.life.hardware_acts import sites_by_id
from tallymast.routes.life.hardware_rows import rows_of
from tallymast.routes.life.typed import day_words
from tallymast.routes.log_book import read_log
from tallymast.routes.screens import Screens, Show
from tallymast.routes.security import CHARTS, extend_policy
from tallymast.routes.services import Given, Services
from tallymast.routes.site_rows import charted
from tallymast.storage import hand_readings, hardware

router = APIRouter(include_in_schema=False)


@router.get("/retired")
def retired_list(request: Request, given: Given, show: Show) -> HTMLResponse:
    """Show the sites that are history only."""
    network = given.network()
    rows = [
        (one.site, network.gateway_of(one.site_id).gateway, _since(one)) for one in network.retired
    ]
    return show.page(request, "site_retired_list.html", {"rows": rows})


def retired_page(request: Request, given: Services, show: Screens, plan: SitePlan) -> HTMLResponse:
    """Show one retired site."""
    with given.database.reading() as connection:
        parts = hardware.of_site(connection, plan.site_id)
        read = hand_readings.of_site(connection, plan.site_id, 5)
    extend_policy(request, CHARTS)
    context = {
        "key": plan.site.key,
        "site": plan.site,
        "gateway": given.network().gateway_of(plan.site_id).gateway,
        "since": _since(plan),
        "log": read_log(given, plan),
        "parts": rows_of(parts, sites_by_id(given.network())),
        "hand": read,
        "charts": charted(plan.site.points),
        "spans": tuple(SPANS),
    }
    return show.page(request, "site_retired.html", context)


def _since(plan: SitePlan) -> str:
    return day_words(plan.site.retired) if plan.site.retired is not None else "unknown"

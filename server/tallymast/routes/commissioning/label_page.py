"""A site's label, to stick beside the station's switches: what it is and how it is set."""

from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from tallymast.routes.api.finding import the_site
from tallymast.routes.commissioning.known_profiles import profiles_of
from tallymast.routes.commissioning.switches_view import switch_row
from tallymast.routes.screens import Show
from tallymast.routes.services import Given

router = APIRouter(include_in_schema=False)


@router.get("/sites/{key}/label")
def label_page(
    request: Request,
    key: str,
    given: Given,
    show: Show,
    paper: Annotated[Literal["label", "plain"], Query()] = "label",
) -> HTMLResponse:
    """Show a site's label; it prints on a label of 100 by 62 mm, or on plain paper to cut out."""
    network = given.network()
    plan = the_site(network, key)
    profile = profiles_of(given)[plan.site.profile]
    clock = show.clock()
    context = {
        "key": plan.site.key,
        "site": plan.site,
        "gateway": network.gateway_of(plan.site_id).gateway,
        "profile": profile,
        "row": switch_row(plan.site.unit, profile),
        "paper": paper,
        "day": clock.day(given.now_ms()),
    }
    return show.page(request, "label.html", context)

"""Who ordered what, the newest first; of one site, in one state."""

from typing import Annotated, Final
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from tallymast.domain.orders.model import OrderState
from tallymast.routes.api.finding import any_site
from tallymast.routes.orders.order_rows import order_lines
from tallymast.routes.orders.order_words import STATES
from tallymast.routes.orders.output_rows import outputs_of
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Show
from tallymast.routes.services import Given
from tallymast.storage import order_list

router = APIRouter(include_in_schema=False)

SHOWN: Final = 50


@router.get("/orders")
def orders_page(
    request: Request,
    given: Given,
    show: Show,
    site: Annotated[str, Query(max_length=200)] = "",
    state: Annotated[str, Query(max_length=20)] = "",
    before: Annotated[int | None, Query(ge=1, lt=2**62)] = None,
) -> HTMLResponse:
    """Show who ordered what."""
    network = given.network()
    wanted = order_list.Wanted(
        site_id=any_site(network, site).site_id if site else None, state=_state(state)
    )
    with given.database.reading() as connection:
        found = order_list.search(connection, wanted, SHOWN + 1, before)
    query = {name: value for name, value in (("site", site), ("state", state)) if value}
    older = ""
    if len(found) > SHOWN:
        older = urlencode({**query, "before": found[SHOWN - 1].id})
    context = {
        "lines": order_lines(found[:SHOWN], network),
        "sites": sorted((one.site.name, one.site.key) for one in network.sites if outputs_of(one)),
        "states": [(one.value, mark.word) for one, mark in STATES.items()],
        "site": site,
        "state": state,
        "older": older,
        "newest": "" if before is None else urlencode(query),
        "paged": before is not None,
    }
    return show.page(request, "orders.html", context)


def _state(word: str) -> OrderState | None:
    try:
        return OrderState(word) if word else None
    except ValueError as error:
        raise Problem(422, f"{word!r} is no state of an order.") from error

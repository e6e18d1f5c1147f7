"""Volumes: what was counted at every site in a month or the last days, and how sure it is."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from starlette.datastructures import QueryParams

from tallymast.domain.totals.hand_index import OPERATIONAL
from tallymast.routes.problems import Problem
from tallymast.routes.reliability_reading import contract_of
from tallymast.routes.screens import Show
from tallymast.routes.services import Given
from tallymast.routes.volumes.beside import beside
from tallymast.routes.volumes.network_rows import read_period
from tallymast.routes.volumes.periods import LAST, the_period

router = APIRouter(include_in_schema=False)

Month = Annotated[str, Query(max_length=7)]
Word = Annotated[str, Query(max_length=200)]


@router.get("/volumes")
def volumes_page(
    request: Request,
    given: Given,
    show: Show,
    month: Month = "",
    last: int = 0,
    area: Word = "",
    site: Word = "",
) -> HTMLResponse:
    """Show what every counting point counted."""
    if last and last not in LAST:
        raise Problem(422, f"The last {last} days are not offered; ask for 7, 14 or 31.")
    network = given.network()
    period = the_period(month, last, contract_of(network), given.now_ms())
    shown = read_period(given, period, area, site)
    context = {
        "period": period,
        "shown": shown,
        "beside": beside(),
        "lasts": LAST,
        "last": last,
        "area": area,
        "site": site,
        "kept": _query({"area": area, "site": site}),
        "contract": f"{network.contract_hour:02d}:00 {network.contract_zone or network.time_zone}",
        "operational": OPERATIONAL,
    }
    return show.page(request, "volumes.html", context)


def _query(words: dict[str, str]) -> str:
    """Return words as they go on in an address, with the & that leads them."""
    text = str(QueryParams({name: word for name, word in words.items() if word}))
    return f"&{text}" if text else ""

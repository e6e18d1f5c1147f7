"""Run hours: how long every pump ran and how often it started."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import HTMLResponse

from tallymast.routes.screens import Show
from tallymast.routes.services import Given
from tallymast.routes.volumes.run_reading import RunBook, run_book

router = APIRouter(include_in_schema=False)

TheRuns = Annotated[RunBook, Depends(run_book)]


@router.get("/run-hours")
def run_hours_page(request: Request, given: Given, runs: TheRuns, show: Show) -> HTMLResponse:
    """Show every pump's hours and starts."""
    network = given.network()
    told = runs.told(network.sites)
    context = {
        "rows": told.rows,
        "left_out": told.left_out,
        "contract": f"{network.contract_hour:02d}:00 {network.contract_zone or network.time_zone}",
    }
    return show.page(request, "run_hours.html", context)

"""The network as it is entered: its gateways, profiles and sites, and where to change them."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from tallymast.routes.screens import Show
from tallymast.routes.services import Given
from tallymast.routes.setup.changing import as_written

router = APIRouter(include_in_schema=False)


@router.get("/setup")
def setup(request: Request, given: Given, show: Show) -> HTMLResponse:
    """Show what the network consists of."""
    base, written = as_written(given)
    return show.page(request, "setup.html", {"base": base, "written": written})

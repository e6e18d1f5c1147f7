"""Shows the JSON API's own description, from vendored parts only."""

from fastapi import APIRouter, FastAPI, Request
from fastapi.responses import HTMLResponse, JSONResponse

from tallymast.routes.screens import Show
from tallymast.routes.security import API_PAGE, extend_policy

router = APIRouter(include_in_schema=False)


@router.get("/api/docs")
def api_page(request: Request, show: Show) -> HTMLResponse:
    """Show every call of the API, to read and to try."""
    extend_policy(request, API_PAGE)
    return show.page(request, "api.html", {"description": "/api/v1/openapi.json"})


@router.get("/api/v1/openapi.json")
def description(request: Request) -> JSONResponse:
    """Return the description for programs (OpenAPI 3.1)."""
    app = request.app
    assert isinstance(app, FastAPI)
    return JSONResponse(app.openapi())

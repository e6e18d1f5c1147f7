"""Puts the web application together from its rooms."""

from fastapi import FastAPI
from fastapi.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import Response

from tallymast.routes import (
    acts_page,
    charts,
    day_reading,
    docs,
    gateway_page,
    health,
    line_page,
    round_page,
    site_page,
    static,
    widgets_page,
)
from tallymast.routes.api import acts, gateways, jobs, polls, readings, sites
from tallymast.routes.day import Days
from tallymast.routes.gateway_page import GatewayBoards
from tallymast.routes.problems import add_handlers, answer
from tallymast.routes.round_page import RoundBoard
from tallymast.routes.security import Guard, Refuse
from tallymast.routes.services import Services
from tallymast.routes.site_page import SiteBoards
from tallymast.routes.standings import Standings

ROOMS = (
    round_page,
    site_page,
    acts_page,
    gateway_page,
    line_page,
    widgets_page,
    charts,
    sites,
    acts,
    polls,
    readings,
    gateways,
    jobs,
    health,
    docs,
    static,
)

DESCRIPTION = """
What Tallymast knows, for scripts. Times go out in UTC with milliseconds; they may come in with
any zone, but not without one. Spans are `from ≤ t < to` and default to the last 24 h. What is
not known is `null`, never 0. Refusals are RFC 9457 problems with a sentence in `detail`.
"""


def create_app(services: Services) -> FastAPI:
    """Return the application that answers people and scripts.

    Args:
        services: everything it may use.

    """
    app = FastAPI(
        title="Tallymast",
        version=services.version,
        description=DESCRIPTION,
        openapi_url="/api/v1/openapi.json",
        docs_url=None,
        redoc_url=None,
    )
    app.state.services = services
    app.state.standings = Standings(services)
    app.state.days = Days(lambda now_ms: day_reading.read_days(services, now_ms))
    app.state.round_board = RoundBoard(services, app.state.standings, app.state.days)
    shared = (services, app.state.standings, app.state.days)
    app.state.site_boards = SiteBoards(*shared)
    app.state.gateway_boards = GatewayBoards(*shared)
    add_handlers(app)
    for room in ROOMS:
        app.include_router(room.router)
    app.add_middleware(GZipMiddleware, minimum_size=600, compresslevel=6)
    app.add_middleware(Guard, hosts=services.hosts, refuse=_refuse(app))
    return app


def _refuse(app: FastAPI) -> Refuse:
    def refuse(request: Request, status: int, sentence: str) -> Response:
        request.scope["app"] = app
        return answer(request, status, sentence)

    return refuse

"""Puts the web application together from its rooms."""

from fastapi import Depends, FastAPI
from fastapi.concurrency import run_in_threadpool
from fastapi.middleware.gzip import GZipMiddleware
from starlette.middleware.gzip import DEFAULT_EXCLUDED_CONTENT_TYPES
from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from tallymast.domain.audit import Act
from tallymast.domain.people import plain
from tallymast.files.writing import MEDIA
from tallymast.routes import (
    account_page,
    acts_page,
    alarm_figures_page,
    alarm_forms,
    alarm_journal_page,
    alarm_one_page,
    alarm_page,
    audit_page,
    charts,
    contact_charts,
    day_reading,
    docs,
    door,
    drive_page,
    evidence_page,
    export_page,
    findings_page,
    gateway_page,
    health,
    kept_rounds_page,
    line_page,
    people_page,
    polls_page,
    rationale_form,
    rationale_list,
    reliability_page,
    report_page,
    round_page,
    site_page,
    static,
    storage_page,
    widgets_page,
)
from tallymast.routes.alarm_board import AlarmBoard
from tallymast.routes.api import (
    acts,
    alarms,
    audit,
    exports,
    findings,
    gateways,
    jobs,
    notes,
    orders,
    polls,
    readings,
    reliability,
    sites,
    storage,
    tags,
    volumes,
)
from tallymast.routes.commissioning import (
    check_out_page,
    find_page,
    guide_page,
    label_page,
    paper_form,
    photo,
    proof_page,
    taking_page,
)
from tallymast.routes.day import Days
from tallymast.routes.gateway_page import GatewayBoards
from tallymast.routes.life import (
    hand_page,
    hardware_page,
    replace_page,
    retired_page,
    season_page,
    tasks_page,
)
from tallymast.routes.orders import choose_page, confirm_page, order_page, orders_page, tag_page
from tallymast.routes.orders.hanging import HangingTags
from tallymast.routes.passwords import Passwords, Throttle
from tallymast.routes.problems import add_handlers, answer
from tallymast.routes.reliability_shelf import Reports
from tallymast.routes.round_page import RoundBoard
from tallymast.routes.security import BodyLimits, Guard, Refuse
from tallymast.routes.services import Services
from tallymast.routes.setup import (
    export_files,
    gateway_form,
    import_page,
    network_form,
    point_form,
    profile_form,
    revisions_page,
    setup_page,
    site_form,
    site_point_form,
    try_page,
    undo_page,
)
from tallymast.routes.setup.codes import TypedCodes
from tallymast.routes.site_page import SiteBoards
from tallymast.routes.standings import Standings
from tallymast.routes.telling import contact_page, link_page, log_page
from tallymast.routes.telling import setup_page as telling_page
from tallymast.routes.volumes import (
    day_page,
    files_page,
    network_page,
    point_page,
    run_hours_page,
)
from tallymast.routes.volumes.run_reading import RunBook
from tallymast.routes.volumes_kept import (
    adjustment_acts,
    balance_page,
    close_page,
    factor_acts,
    flow_page,
    index_acts,
    kept_page,
    permit_page,
)
from tallymast.routes.who import Gate, People, Person, address_of, enforce, tell_refusal

ROOMS = (
    door,
    account_page,
    people_page,
    audit_page,
    storage_page,
    setup_page,
    guide_page,
    label_page,
    find_page,
    hardware_page,
    tasks_page,
    replace_page,
    hand_page,
    season_page,
    retired_page,
    revisions_page,
    undo_page,
    export_files,
    import_page,
    network_form,
    gateway_form,
    profile_form,
    site_form,
    try_page,
    point_form,
    site_point_form,
    round_page,
    kept_rounds_page,
    drive_page,
    evidence_page,
    check_out_page,
    taking_page,
    paper_form,
    proof_page,
    photo,
    alarm_page,
    alarm_journal_page,
    alarm_figures_page,
    alarm_forms,
    rationale_list,
    rationale_form,
    log_page,
    alarm_one_page,  # last of them: its address would take the others' too
    telling_page,
    contact_page,
    link_page,
    choose_page,
    confirm_page,
    order_page,
    orders_page,
    tag_page,
    close_page,  # these before the pages of a site's volumes, whose address would take theirs
    permit_page,
    balance_page,
    flow_page,
    kept_page,
    factor_acts,
    adjustment_acts,
    index_acts,
    site_page,
    polls_page,
    acts_page,
    gateway_page,
    reliability_page,
    findings_page,
    report_page,
    line_page,
    network_page,
    files_page,
    run_hours_page,
    point_page,
    day_page,  # after whatever lies below a point: its address would take it
    widgets_page,
    export_page,
    charts,
    contact_charts,
    sites,
    acts,
    notes,
    polls,
    readings,
    reliability,
    findings,
    alarms,
    orders,
    tags,
    volumes,
    exports,
    gateways,
    jobs,
    audit,
    storage,
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
        openapi_url=None,  # routes/docs.py answers it, so that it passes the gate as well
        docs_url=None,
        redoc_url=None,
        dependencies=[Depends(enforce)],
    )
    app.state.services = services
    app.state.gate = Gate(People(services), Passwords(), Throttle())
    app.state.standings = Standings(services)
    app.state.days = Days(lambda now_ms: day_reading.read_days(services, now_ms), services.network)
    app.state.hanging_tags = HangingTags(services)
    shared = (services, app.state.standings, app.state.days)
    app.state.round_board = RoundBoard(*shared, app.state.hanging_tags)
    app.state.alarm_board = AlarmBoard(services)
    app.state.site_boards = SiteBoards(*shared, app.state.hanging_tags)
    app.state.gateway_boards = GatewayBoards(*shared)
    app.state.reports = Reports(services)
    app.state.run_book = RunBook(services)
    app.state.typed_codes = TypedCodes()
    add_handlers(app)
    for room in ROOMS:
        app.include_router(room.router)
    app.add_middleware(BodyLimits)
    packed = (*DEFAULT_EXCLUDED_CONTENT_TYPES, MEDIA["xlsx"], MEDIA["parquet"])
    app.add_middleware(
        GZipMiddleware, minimum_size=600, compresslevel=8, exclude_content_types=packed
    )
    app.add_middleware(
        Guard, hosts=services.hosts, refuse=_refuse(app), by_address=services.by_address
    )
    return app


def _refuse(app: FastAPI) -> Refuse:
    """Return what answers a request that does not even reach the gate, and writes it down."""

    def refuse(request: Request, status: int, sentence: str) -> ASGIApp:
        async def refused(scope: Scope, receive: Receive, send: Send) -> None:
            scope["app"] = app
            if status == 403:
                await run_in_threadpool(_tell_foreign, app, request)
            await answer(request, status, sentence)(scope, receive, send)

        return refused

    return refuse


def _tell_foreign(app: FastAPI, request: Request) -> None:
    asked = plain(f"{request.method} {request.url.path}", 200)
    stranger = Person("", None, True, False, address_of(request))
    act = Act("request.foreign", "request", asked)
    tell_refusal(app.state.services, app.state.gate, stranger, act)

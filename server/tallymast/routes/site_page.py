"""A site: what is it doing now, what changed? The page, its fragments, its stream, poll now."""

from collections.abc import AsyncIterator
from threading import Lock
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Header, Query, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse
from fastapi.sse import EventSourceResponse, ServerSentEvent
from markupsafe import Markup

from tallymast.domain.health.attention import Standing
from tallymast.domain.health.diagnosis.lacking import lacking
from tallymast.domain.health.site_health import NOT_JUDGED
from tallymast.domain.health.supply.model import SupplyHealth
from tallymast.domain.model import Job, Poll, Site, SitePlan
from tallymast.domain.zones import find_zone
from tallymast.routes.acts_page import LENGTHS
from tallymast.routes.alarm_rows import of_site
from tallymast.routes.api.acts import open_act
from tallymast.routes.api.finding import any_site, the_site
from tallymast.routes.api.jobs import ask_desk_test, ask_poll
from tallymast.routes.api.notes import LONGEST as NOTE_LONGEST
from tallymast.routes.api.notes import Kind as NoteKind
from tallymast.routes.api.notes import add_note
from tallymast.routes.board import Board
from tallymast.routes.cause_lines import line_of, needs_now
from tallymast.routes.charts import SPANS
from tallymast.routes.commissioning.proven_points import proven_line
from tallymast.routes.day import NOTHING, Days
from tallymast.routes.finding_rows import lines_of_site
from tallymast.routes.formats import Clock
from tallymast.routes.life.at_site import read_at_site
from tallymast.routes.life.retired_page import retired_page
from tallymast.routes.log_book import CHOICES, KINDS, read_log
from tallymast.routes.orders.hanging import HangingTags
from tallymast.routes.orders.order_words import TAGGED
from tallymast.routes.orders.output_rows import output_rows, outputs_of
from tallymast.routes.outage_rows import OutageLine, outage_lines, outages_of
from tallymast.routes.plot import way_of
from tallymast.routes.round_rows import ranks_of
from tallymast.routes.rows import NOBODY
from tallymast.routes.screens import Screens, Show
from tallymast.routes.security import CHARTS, extend_policy
from tallymast.routes.services import Given, NetworkView, Services
from tallymast.routes.site_rows import (
    POLLS_SHOWN,
    charted,
    contact_panel,
    job_line,
    point_rows,
    poll_rows,
    site_head,
    supply_panel,
)
from tallymast.routes.standings import Standings
from tallymast.routes.streams import stream, version_word
from tallymast.routes.supply_sentences import supply_words
from tallymast.routes.system import system_lines
from tallymast.routes.volumes.at_site import counted_at
from tallymast.routes.who import StillThere, ThePerson
from tallymast.storage import orders
from tallymast.storage.polls import polls_between

TICK_MS = 10_000
DAY_MS = 86_400_000
LOOK_BACK_MS = 7 * DAY_MS
ORDERS_READ = 50  # ours: so many of a site are looked at for each output's last

router = APIRouter(include_in_schema=False)


class SiteBoard:
    """One site's fragments, for all its tabs."""

    def __init__(
        self,
        given: Services,
        standings: Standings,
        days: Days,
        tags: HangingTags,
        plan: SitePlan,
    ) -> None:
        self._given = given
        self._tags = tags
        self._standings = standings
        self._days = days
        self._plan = plan
        self._screens = Screens(given)
        self._board = Board()
        self._turn = Lock()
        self._tagged: frozenset[str] = frozenset()  # outputs against which a tag hangs
        self._stored = self._read_polls()

    def is_of(self, plan: SitePlan) -> bool:
        """Whether it shows a site as it is planned here."""
        return self._plan is plan

    def since(self, version: int) -> tuple[int, Markup]:
        """Return the newest version and the message that brings a tab there."""
        return self._board.since(version)

    async def catch_up(self) -> None:
        """Bring the fragments up to the newest state; of a site that is gone they stay."""
        if self._given.network().site(self._plan.site.key) is None:
            return
        await run_in_threadpool(self.show, TICK_MS)

    def show(self, every_ms: int) -> tuple[int, dict[str, object]]:
        """Keep the fragments of what is new; return the version and what the page shows.

        One at a time: an older view must not be shown over a newer one.
        """
        with self._turn:
            return self._show(every_ms)

    def _show(self, every_ms: int) -> tuple[int, dict[str, object]]:
        given, now_ms = self._given, self._given.now_ms()
        standings = self._standings.now(every_ms)
        standing = standings[self._plan.site_id]
        needed = needs_now(given, standings)
        found = needed.of(self._plan.site.key)
        clock = self._screens.clock()
        day = self._days.upto(now_ms).get(self._plan.site_id, NOTHING)
        health = given.health().get(self._plan.site_id, NOT_JUDGED)
        lines = [line_of(one, needed.causes.get(one.key, ()), clock) for one in found]
        key = self._plan.site.key
        shown: dict[str, object] = {
            "system": system_lines(given),
            "notice": given.notice(),
            "head": site_head(standing, day),
            "supply": supply_panel(standing, day, ranks_of(found).get(key, NOBODY).supply),
            "supply_said": _supply_said(self._plan.site, health.supply, clock),
            "contact": contact_panel(standing, day),
            "site_alarms": of_site(given.alarms(), key, given.network()),
            "site_findings": tuple(lines),
            "lacking": lacking(self._plan.site, health),
            "points": point_rows(standing),
            "polls": poll_rows(self._polls()),
            "job": job_line(given.live.jobs().values(), self._plan.site_id, now_ms),
            **self._outputs(standing),
        }
        with self._board.lock:
            told = {name: shown[name] for name in ("system", "notice")}
            self._put("system", "system", told, told)
            said = {name: shown[name] for name in ("supply", "supply_said")}
            self._put("supply", "supply", said, (shown["supply"], health.supply))
            told = {name: shown[name] for name in ("site_findings", "lacking")}
            self._put("site_findings", "site_findings", told, tuple(told.values()))
            told = {name: shown[name] for name in ("outputs", "site_tags", "tag_mark")}
            for name, partial in (("outputs", "site_outputs"), ("site_tags", "site_tags")):
                self._put(name, partial, told, tuple(told.values()))
            for name in ("head", "contact", "polls", "job", "site_alarms"):
                self._put(name, name, {name: shown[name]}, shown[name])
            told = {name: shown[name] for name in ("tagged", "tag_mark")}
            for row in point_rows(standing):
                model = (row, row.tag in self._tagged)
                self._put(f"point-{row.tag}", "point", {"row": row, **told}, model)
            return self._board.version, shown

    def _put(self, name: str, partial: str, context: dict[str, object], model: object) -> None:
        def render() -> Markup:
            more = {**context, "clock": self._screens.clock(), "key": self._plan.site.key}
            return self._screens.fragment(f"partials/{partial}.html", more)

        self._board.put(name, model, render)

    def _outputs(self, standing: Standing) -> dict[str, object]:
        """Return the outputs with tags and last orders; read only where there are outputs."""
        if not outputs_of(self._plan):
            return {"outputs": (), "site_tags": (), "tag_mark": TAGGED, "tagged": self._tagged}
        tags = self._tags.now().get(self._plan.site_id, ())
        with self._given.database.reading() as connection:
            latest = orders.of_site(connection, self._plan.site_id, 0, ORDERS_READ)
        rows = output_rows(standing, tags, latest, find_zone(self._given.network().time_zone))
        self._tagged = frozenset(row.tag for row in rows if row.tags)
        return {"outputs": rows, "site_tags": tags, "tag_mark": TAGGED, "tagged": self._tagged}

    def _polls(self) -> list[Poll]:
        known = {poll.at_ms: poll for poll in self._stored}
        known |= {poll.at_ms: poll for poll in self._given.live.polls(self._plan.site_id)}
        self._stored = [known[at_ms] for at_ms in sorted(known)[-POLLS_SHOWN:]]
        return self._stored

    def _read_polls(self) -> list[Poll]:
        now_ms = self._given.now_ms()
        with self._given.database.reading() as connection:
            page = polls_between(
                connection,
                self._plan.site_id,
                now_ms - LOOK_BACK_MS,
                now_ms + 1,
                POLLS_SHOWN,
                newest_first=True,
            )
        return page.items


class SiteBoards:
    """A board a site, made when its page is first opened; all anew with a new network."""

    def __init__(
        self, given: Services, standings: Standings, days: Days, tags: HangingTags
    ) -> None:
        self._given = given
        self._tags = tags
        self._standings = standings
        self._days = days
        self._lock = Lock()
        self._view: NetworkView | None = None
        self._boards: dict[int, SiteBoard] = {}

    def of(self, plan: SitePlan) -> SiteBoard:
        """Return the board of a site."""
        with self._lock:
            view = self._given.network()
            if view is not self._view:
                self._boards.clear()
                self._view = view
            board = self._boards.get(plan.site_id)
            if board is None or not board.is_of(plan):  # made while the network was changed
                board = SiteBoard(self._given, self._standings, self._days, self._tags, plan)
                self._boards[plan.site_id] = board
            return board


def site_boards(request: Request) -> SiteBoards:
    """Return the application's site boards."""
    found = request.app.state.site_boards
    assert isinstance(found, SiteBoards)
    return found


TheBoards = Annotated[SiteBoards, Depends(site_boards)]


@router.get("/sites/{key}")
def site_page(
    request: Request,
    key: str,
    given: Given,
    boards: TheBoards,
    show: Show,
    logged: Annotated[str, Query(alias="log")] = "",
    days_back: Annotated[int, Query(alias="outages", ge=1, le=90)] = 14,
) -> HTMLResponse:
    """Show one site."""
    plan = any_site(given.network(), key)
    if plan.site.retired is not None:
        return retired_page(request, given, show, plan)
    log = read_log(given, plan)
    version, shown = boards.of(plan).show(0)
    extend_policy(request, CHARTS)
    return show.page(
        request,
        "site.html",
        {
            "stream": f"/stream/sites/{key}?have={version_word(given, version)}",
            "key": key,
            "site": plan.site,
            "gateway": given.network().gateway_of(plan.site_id).gateway,
            "way": _way(given, plan),
            "log": [one for one in log if logged in ("", one.kind_key)],
            "logged": logged,
            "log_choices": CHOICES,
            "log_kinds": KINDS,
            **_past_findings(given, plan, show.clock()),
            "proven": proven_line(given, plan, show.clock()),
            "outages": _outages(given, plan, days_back),
            "outage_days": days_back,
            "act": open_act(given, plan),
            "life": read_at_site(given, plan),
            "lengths": LENGTHS,
            "note_kinds": [(kind.value, KINDS[kind]) for kind in NoteKind],
            "note_longest": NOTE_LONGEST,
            "charts": charted(plan.site.points),
            "spans": tuple(SPANS),
            "counted": counted_at(request, given, plan),
            **shown,
        },
    )


@router.get("/stream/sites/{key}", response_class=EventSourceResponse)
async def site_stream(
    key: str,
    given: Given,
    boards: TheBoards,
    still: StillThere,
    have: str = "",
    last_event_id: Annotated[str, Header()] = "",
) -> AsyncIterator[ServerSentEvent]:
    """Keep an open site page current."""
    board = await run_in_threadpool(boards.of, the_site(given.network(), key))
    async for event in stream(given, board, board.catch_up, last_event_id or have, still):
        yield event


@router.post("/sites/{key}/poll")
def poll_now(request: Request, key: str, given: Given, person: ThePerson, show: Show) -> Response:
    """Ask for a poll; the page tells by itself what becomes of it."""
    return _accepted(request, key, ask_poll(given, key, person), given, show)


@router.post("/sites/{key}/notes")
def write_note(
    key: str,
    given: Given,
    person: ThePerson,
    text: Annotated[str, Form(max_length=NOTE_LONGEST)],
    kind: Annotated[NoteKind, Form()] = NoteKind.OBSERVATION,
    replaces: Annotated[int | None, Form(ge=1)] = None,
) -> Response:
    """Write into the log book, perhaps in place of a wrong note; the page is shown anew with it."""
    add_note(given, key, kind, text, person, replaces)
    return RedirectResponse(f"/sites/{key}#log-title", 303)


@router.post("/sites/{key}/desk-test")
def desk_test(request: Request, key: str, given: Given, person: ThePerson, show: Show) -> Response:
    """Ask for twenty polls in a row; the page tells how they go."""
    return _accepted(request, key, ask_desk_test(given, key, person), given, show)


def _accepted(request: Request, key: str, job: Job, given: Services, show: Screens) -> Response:
    if "hx-request" in request.headers:
        line = job_line([job], job.site_id or 0, given.now_ms())
        return HTMLResponse(
            show.fragment("partials/job.html", {"job": line, "clock": show.clock(), "key": key})
        )
    return RedirectResponse(f"/sites/{key}", 303)


def _supply_said(site: Site, judged: SupplyHealth | None, clock: Clock) -> Markup | None:
    """Return what the nights say of a supply, None where it has none or was not judged yet."""
    return supply_words(site, judged, clock) if judged is not None else None


def _past_findings(given: Services, plan: SitePlan, clock: Clock) -> dict[str, object]:
    """Return the site's last findings, as its page lists them."""
    with given.database.reading() as connection:
        return {"past": lines_of_site(connection, plan.site_id, given.network(), clock)}


def _outages(given: Services, plan: SitePlan, days: int) -> tuple[OutageLine, ...]:
    """Return a site's outages of the last days, the newest first."""
    now_ms = given.now_ms()
    health = given.health().get(plan.site_id, NOT_JUDGED)
    with given.database.reading() as connection:
        found = outages_of(connection, plan, health, (now_ms - days * DAY_MS, now_ms))
    return outage_lines(found, now_ms)


def _way(given: Services, plan: SitePlan) -> str:
    """Return how the site is reached: how far, in which direction, through what."""
    network = given.network()
    way = way_of(network.gateway_of(plan.site_id), plan.site)
    via = network.site(plan.site.via) if plan.site.via else None
    parts = [way.words] if way else []
    if via is not None:
        parts.append(f"through {via.site.name}")
    return ", ".join(parts)

"""A gateway: how the channel is, and how each site behind it comes through."""

from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from math import ceil
from threading import Lock
from typing import Annotated

from fastapi import APIRouter, Depends, Header, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse
from fastapi.sse import EventSourceResponse, ServerSentEvent
from markupsafe import Markup

from tallymast.domain.health.attention import Standing
from tallymast.domain.model import GatewayPlan, GatewayState, PointKind
from tallymast.routes.api.finding import the_gateway
from tallymast.routes.board import Board
from tallymast.routes.cause_lines import needs_now
from tallymast.routes.day import NOTHING, Days, SiteDay
from tallymast.routes.formats import number, share, value_words
from tallymast.routes.plot import Plot, draw_plot, way_of
from tallymast.routes.round_rows import ranks_of
from tallymast.routes.rows import Mark, remark_of, row_mark
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, NetworkView, Services
from tallymast.routes.standings import Standings
from tallymast.routes.streams import stream, version_word
from tallymast.routes.summary import gateway_head
from tallymast.routes.system import system_lines
from tallymast.routes.tape import Tape
from tallymast.routes.who import StillThere

TICK_MS = 10_000

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing known of a channel: a name, its words, what it means."""

    name: str
    words: str
    meaning: str = ""


@dataclass(frozen=True, slots=True)
class PathRow:
    """How one site comes through."""

    key: str
    name: str
    unit: int
    mark: Mark
    hops: int
    way: str
    through: str
    signal: str
    signal_remark: str
    first_try: str
    answered: int
    asked: int
    answer_ms: str
    air: str
    tape: Tape


def path_row(
    given: Services,
    gateway: GatewayPlan,
    standing: Standing,
    day: SiteDay,
    state: GatewayState | None,
    tone: str = "",
) -> PathRow:
    """Return how a site comes through; ``tone`` is what all findings call for (rows.Need)."""
    site, network = standing.plan.site, given.network()
    way, via = way_of(gateway, site), network.site(site.via) if site.via else None
    point = site.point_of(PointKind.SIGNAL)
    reading = standing.readings.get(point.tag) if point else None
    counts = day.counts
    return PathRow(
        site.key,
        site.name,
        site.unit,
        row_mark(standing, tone),
        network.hops(site),
        way.words if way else "place not written down",
        via.site.name if via else "",
        value_words(reading, point) if point else "not reported",
        remark_of(standing, reading) if point else "",
        share(counts.first_try, counts.asked) if counts.asked else "",
        counts.answered,
        counts.asked,
        f"{day.answer_ms[0]:.0f} / {day.answer_ms[1]:.0f}\u00a0ms" if day.answer_ms else "",
        _air(state.site_share.get(standing.plan.site_id)) if state else "",
        day.tape,
    )


def _air(part: float | None) -> str:
    """Return a site's share of airtime in words, rounded so that it does not flicker."""
    return "" if part is None else f"{100 * part:.1f}\u00a0%"


def facts(gateway: GatewayPlan, state: GatewayState | None) -> tuple[Fact, ...]:
    """Return what is known of a gateway's channel."""
    wired = gateway.gateway
    found = [
        Fact("Address", f"{wired.address}, {wired.transport.value}"),
        Fact(
            "Line",
            f"{number(wired.baud)} baud, {wired.character_bits} bits a character",
            f"gap of {wired.min_gap_ms:.0f} ms between exchanges",
        ),
        Fact("Sites", f"{sum(plan.site.in_service for plan in gateway.sites)} polled"),
    ]
    if state is None:
        return tuple(found)
    found += _airtime(state)
    late = "none seen yet" if state.lateness_s == 0 else f"{state.lateness_s:.2f} s at worst"
    found.append(Fact("Late answers", late, f"quarantine {state.quarantine_s:.1f} s"))
    found.append(Fact("Exchanges", number(state.exchanges), "since polling began"))
    if state.strangers:
        words = number(state.strangers)
        found.append(Fact("Answers nobody asked for", words, "somebody else polls here"))
    return tuple(found)


def _airtime(state: GatewayState) -> list[Fact]:
    """Return the airtime book in facts."""
    found = []
    if state.cycle_s is not None:
        words = "every polled site visited once"
        if state.cycle_day_s is not None:
            least, most = state.cycle_day_s
            words += f"; over the day {least:.1f} to {most:.1f}\u00a0s"
        found.append(Fact("Cycle", f"{state.cycle_s:.1f}\u00a0s", words))
    if state.airtime_used is not None:
        used = f"{100 * state.airtime_used:.0f}\u00a0% used"
        found.append(Fact("Airtime", used, _purposes(state)))
    if state.holds_s is not None:
        words = f"it can hold {state.holds_s:.0f}\u00a0s a cycle"
        found.append(Fact("Too full", words, "periods are stretched in proportion"))
    if state.even_s and state.cost_s:
        words = f"the answering sites could be polled every {ceil(state.even_s)}\u00a0s"
        found.append(Fact("Headroom", words, f"a usual site costs {state.cost_s:.2f}\u00a0s"))
    return found


def _purposes(state: GatewayState) -> str:
    """Return what the airtime went into since polling began, the largest part first."""
    total = sum(state.busy_s.values())
    parts = sorted(state.busy_s.items(), key=lambda one: -one[1])
    said = [f"{name} {100 * busy / total:.0f}\u00a0%" for name, busy in parts if busy > 0]
    return f"over the last minutes; since the start {', '.join(said)}" if said else ""


class GatewayBoard:
    """One gateway's fragments, for all its tabs."""

    def __init__(
        self, given: Services, standings: Standings, days: Days, plan: GatewayPlan
    ) -> None:
        self._given = given
        self._standings = standings
        self._days = days
        self._plan = plan
        self._screens = Screens(given)
        self._board = Board()
        self._turn = Lock()

    def is_of(self, plan: GatewayPlan) -> bool:
        """Whether it shows a gateway as it is planned here."""
        return self._plan is plan

    def since(self, version: int) -> tuple[int, Markup]:
        """Return the newest version and the message that brings a tab there."""
        return self._board.since(version)

    async def catch_up(self) -> None:
        """Bring the fragments up to the newest state; once a site has left, they stay."""
        network = self._given.network()
        if any(network.site(one.site.key) is None for one in self._plan.sites):
            return
        await run_in_threadpool(self.show, TICK_MS)

    def show(self, every_ms: int) -> tuple[int, dict[str, object]]:
        """Keep the fragments of what is new; return the version and what the page shows."""
        with self._turn:
            return self._show(every_ms)

    def _show(self, every_ms: int) -> tuple[int, dict[str, object]]:
        given, plan = self._given, self._plan
        standings = self._standings.now(every_ms)
        days: Mapping[int, SiteDay] = self._days.upto(given.now_ms())
        state = given.live.gateways().get(plan.gateway_id)
        found = needs_now(given, standings, (plan,)).found
        tones = {key: need.tone for key, need in ranks_of(found).items()}
        rows = tuple(
            path_row(
                given,
                plan,
                standings[one.site_id],
                days.get(one.site_id, NOTHING),
                state,
                tones.get(one.site.key, ""),
            )
            for one in plan.sites
        )
        plot: Plot = draw_plot(plan, [one.mark for one in rows])
        shown: dict[str, object] = {
            "system": system_lines(given),
            "notice": given.notice(),
            "channel": gateway_head(plan, state),
            "facts": facts(plan, state),
            "plot": plot,
            "rows": rows,
        }
        with self._board.lock:
            self._put("system", {name: shown[name] for name in ("system", "notice")})
            self._put("channel", {name: shown[name] for name in ("channel", "facts")})
            self._put("plot", {"plot": plot})
            for one in rows:
                self._put(f"path-{one.key}", {"row": one}, "path_row")
            return self._board.version, shown

    def _put(self, name: str, context: dict[str, object], partial: str = "") -> None:
        def render() -> Markup:
            more = {**context, "clock": self._screens.clock()}
            return self._screens.fragment(f"partials/{partial or name}.html", more)

        self._board.put(name, context, render)


class GatewayBoards:
    """A board a gateway, made when its page is first opened; all anew with a new network."""

    def __init__(self, given: Services, standings: Standings, days: Days) -> None:
        self._given = given
        self._standings = standings
        self._days = days
        self._lock = Lock()
        self._view: NetworkView | None = None
        self._boards: dict[int, GatewayBoard] = {}

    def of(self, plan: GatewayPlan) -> GatewayBoard:
        """Return the board of a gateway."""
        with self._lock:
            view = self._given.network()
            if view is not self._view:
                self._boards.clear()
                self._view = view
            board = self._boards.get(plan.gateway_id)
            if board is None or not board.is_of(plan):  # made while the network was changed
                board = GatewayBoard(self._given, self._standings, self._days, plan)
                self._boards[plan.gateway_id] = board
            return board


def gateway_boards(request: Request) -> GatewayBoards:
    """Return the application's gateway boards."""
    found = request.app.state.gateway_boards
    assert isinstance(found, GatewayBoards)
    return found


TheBoards = Annotated[GatewayBoards, Depends(gateway_boards)]


@router.get("/gateways")
def first_gateway(given: Given) -> RedirectResponse:
    """Go to the first gateway's page."""
    gateways = given.network().gateways
    return RedirectResponse(f"/gateways/{gateways[0].gateway.key}" if gateways else "/", 307)


@router.get("/gateways/{key}")
def gateway_page(
    request: Request, key: str, given: Given, boards: TheBoards, show: Show
) -> HTMLResponse:
    """Show one gateway: its channel, its sites around it, and how each comes through."""
    plan = the_gateway(given.network(), key)
    version, shown = boards.of(plan).show(0)
    return show.page(
        request,
        "gateway.html",
        {
            "stream": f"/stream/gateways/{key}?have={version_word(given, version)}",
            "gateway": plan.gateway,
            "gateways": [one.gateway for one in given.network().gateways],
            **shown,
        },
    )


@router.get("/stream/gateways/{key}", response_class=EventSourceResponse)
async def gateway_stream(
    key: str,
    given: Given,
    boards: TheBoards,
    still: StillThere,
    have: str = "",
    last_event_id: Annotated[str, Header()] = "",
) -> AsyncIterator[ServerSentEvent]:
    """Keep an open gateway page current."""
    board = await run_in_threadpool(boards.of, the_gateway(given.network(), key))
    async for event in stream(given, board, board.catch_up, last_event_id or have, still):
        yield event

"""Morning round: who needs me today? The page, its fragments and its stream."""

from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass
from threading import Lock
from typing import Annotated

from fastapi import APIRouter, Depends, Header, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse
from fastapi.sse import EventSourceResponse, ServerSentEvent
from markupsafe import Markup

from tallymast.domain.health.attention import needs
from tallymast.domain.health.findings import Finding
from tallymast.domain.health.losses import GatewayWas
from tallymast.domain.rounds import Changes, changes
from tallymast.routes.board import Board
from tallymast.routes.day import NOTHING, Days, SiteDay, TheDays
from tallymast.routes.formats import Clock
from tallymast.routes.health_sentences import loss_sentence
from tallymast.routes.kept_rounds_page import LONGEST as HANDOVER_LONGEST
from tallymast.routes.round_past import Past, RoundPast
from tallymast.routes.rows import SiteRow, row
from tallymast.routes.screens import Screens, Show
from tallymast.routes.sentences import sentence
from tallymast.routes.services import Given, Services
from tallymast.routes.standings import Standings
from tallymast.routes.streams import stream, version_word
from tallymast.routes.summary import (
    GatewayHead,
    Summary,
    gateway_head,
    summary,
    worst_first,
)
from tallymast.routes.system import system_lines
from tallymast.routes.who import StillThere

TICK_MS = 10_000  # what only time changes (stale, overdue) is judged again this often

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class Line:
    """One cause, worded."""

    key: str
    text: Markup
    act: bool
    new: bool = False  # not there in the round before


@dataclass(frozen=True, slots=True)
class Group:
    """A gateway and its sites' rows."""

    head: GatewayHead
    rows: tuple[SiteRow, ...]


@dataclass(frozen=True, slots=True)
class View:
    """Everything the page shows."""

    system: tuple[str, ...]
    notice: str
    summary: Summary
    checked_ms: int
    found: tuple[Finding, ...]
    groups: tuple[Group, ...]
    past: Past
    losses: tuple[GatewayWas, ...] = ()

    @property
    def changed(self) -> Changes | None:
        """What differs from the round before, None where none was kept."""
        before = self.past.before
        return None if before is None else changes(before, [one.key for one in self.found])


class RoundBoard:
    """The Morning round's fragments, for all its tabs."""

    def __init__(self, given: Services, standings: Standings, days: Days) -> None:
        self._given = given
        self._standings = standings
        self._days = days
        self._screens = Screens(given)
        self._board = Board()
        self._past = RoundPast(given)
        self._turn = Lock()

    def since(self, version: int) -> tuple[int, Markup]:
        """Return the newest version and the message that brings a tab there."""
        return self._board.since(version)

    async def catch_up(self) -> None:
        """Bring the fragments up to the newest state."""
        if self._days.is_old(self._given.now_ms()):
            await run_in_threadpool(self._days.upto, self._given.now_ms())
        self.shown(TICK_MS, self._days.known())

    def shown(self, every_ms: int, days: Mapping[int, SiteDay]) -> tuple[int, View]:
        """Bring the fragments up to date; return the version, and what the page shows.

        One at a time: an older view must not be shown over a newer one.
        """
        with self._turn:
            view = self.view(every_ms, days)
            return self.show(view), view

    def view(self, every_ms: int, days: Mapping[int, SiteDay]) -> View:
        """Return what the page shows now; unchanged sites may be judged ``every_ms`` ago."""
        given, network = self._given, self._given.network()
        standings = self._standings.now(every_ms)
        states, health = given.live.gateways(), given.health()
        found = needs(network.gateways, states, standings, health)
        groups = tuple(
            Group(
                gateway_head(gateway, states.get(gateway.gateway_id)),
                tuple(
                    row(
                        standings[plan.site_id],
                        days.get(plan.site_id, NOTHING),
                        network.hops(plan.site),
                    )
                    for plan in gateway.sites
                ),
            )
            for gateway in network.gateways
        )
        return View(
            system_lines(given),
            given.notice(),
            summary(
                standings.values(), found, {key: day.pause for key, day in days.items()}, health
            ),
            self._standings.judged_ms,
            found,
            groups,
            self._past.upto(given.now_ms()),
            given.losses(),
        )

    def show(self, view: View) -> int:
        """Keep the fragments of what is new in ``view``; return the version it is shown at."""
        board, clock = self._board, self._screens.clock()
        with board.lock:
            told = {"system": view.system, "notice": view.notice}
            self._put("system", "system", (view.system, view.notice), told)
            checked = (view.summary, view.checked_ms)
            context = {"summary": view.summary, "checked_ms": view.checked_ms, "clock": clock}
            self._put("checked", "checked", checked, context)
            lines = worded(view, clock)
            self._put("findings", "findings", (view.found, lines["new"]), lines)
            since = since_words(view, clock)
            self._put("since", "since", (view.past, view.losses, view.changed), since)
            self._put("handed", "handed", view.past.handed, {"handed": view.past.handed} | since)
            for group in view.groups:
                name = f"gateway-{group.head.key}"
                self._put(name, "gateway_head", group.head, {"head": group.head})
                for shown in group.rows:
                    context = {"row": shown, "clock": clock}
                    self._put(f"site-{shown.key}", "site_row", shown, context)
            return board.version

    def _put(self, name: str, partial: str, model: object, context: Mapping[str, object]) -> None:
        def render() -> Markup:
            return self._screens.fragment(f"partials/{partial}.html", context)

        self._board.put(name, model, render)


def worded(view: View, clock: Clock) -> dict[str, object]:
    """Return the findings in sentences, those for today and those worth watching."""
    act, watch = worst_first(view.found)
    new = view.changed.new if view.changed else ()

    def line(one: Finding) -> Line:
        return Line(one.key, sentence(one, clock), one.act, one.key in new)

    return {"act": [line(one) for one in act], "watch": [line(one) for one in watch], "new": new}


def since_words(view: View, clock: Clock) -> dict[str, object]:
    """Return what has changed since the round before, and what is over."""
    return {
        "before": view.past.before,
        "changed": view.changed,
        "losses": [loss_sentence(one, clock) for one in view.losses],
        "clock": clock,
    }


def round_board(request: Request) -> RoundBoard:
    """Return the application's one Morning round."""
    found = request.app.state.round_board
    assert isinstance(found, RoundBoard)
    return found


TheRound = Annotated[RoundBoard, Depends(round_board)]


@router.get("/")
def round_page(
    request: Request, given: Given, board: TheRound, days: TheDays, show: Show
) -> HTMLResponse:
    """Show who needs a person, what was checked, and every site."""
    version, view = board.shown(0, days.upto(given.now_ms()))
    return show.page(
        request,
        "round.html",
        {
            "stream": f"/stream/round?have={version_word(given, version)}",
            "system": view.system,
            "notice": view.notice,
            "summary": view.summary,
            "checked_ms": view.checked_ms,
            "groups": view.groups,
            "handed": view.past.handed,
            "handover_longest": HANDOVER_LONGEST,
            **worded(view, show.clock()),
            **since_words(view, show.clock()),
        },
    )


@router.get("/stream/round", response_class=EventSourceResponse)
async def round_stream(
    given: Given,
    board: TheRound,
    still: StillThere,
    have: str = "",
    last_event_id: Annotated[str, Header()] = "",
) -> AsyncIterator[ServerSentEvent]:
    """Keep an open Morning round current."""
    async for event in stream(given, board, board.catch_up, last_event_id or have, still):
        yield event

"""Morning round: who needs me today? The page, its fragments and its stream."""

from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from threading import Lock
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Header, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse
from fastapi.sse import EventSourceResponse, ServerSentEvent
from markupsafe import Markup

from tallymast.domain.audit import Act
from tallymast.domain.health.attention import Needs
from tallymast.domain.health.findings import Finding
from tallymast.domain.health.losses import GatewayWas
from tallymast.domain.people import plain
from tallymast.domain.rounds import Changes, changes
from tallymast.routes.board import Board
from tallymast.routes.cause_lines import Line, line_of, needs_now
from tallymast.routes.day import Days, SiteDay, TheDays
from tallymast.routes.formats import Clock
from tallymast.routes.health_sentences import loss_sentence
from tallymast.routes.orders.hanging import HangingTags
from tallymast.routes.problems import Problem
from tallymast.routes.round_order import ORDERS, SHOWS, Asked, asked
from tallymast.routes.round_past import Past, RoundPast
from tallymast.routes.round_rows import KeptRows, ranks_of
from tallymast.routes.round_table import Group, table
from tallymast.routes.screens import Screens, Show, prepare
from tallymast.routes.services import Given, Services
from tallymast.routes.standings import Standings
from tallymast.routes.streams import stream, version_word
from tallymast.routes.summary import Summary, gateway_head, summary, worst_first
from tallymast.routes.system import system_lines
from tallymast.routes.who import StillThere, ThePerson, tell
from tallymast.storage import rounds

HANDOVER_LONGEST = 1000
TICK_MS = 10_000  # what only time changes (stale, overdue) is judged again this often

PARTIALS = ("system", "checked", "findings", "gateway_head", "site_row")
TEMPLATES = (
    *("base.html", "live.html", "round.html", "partials/drawings.html"),
    *("partials/round_tools.html", "partials/round_heads.html"),
    *(f"partials/{name}.html" for name in PARTIALS),
)

Context = Mapping[str, object]

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class View:
    """Everything the page shows."""

    system: tuple[str, ...]
    notice: str
    summary: Summary
    checked_ms: int
    needs: Needs
    groups: tuple[Group, ...]
    past: Past
    changed: Changes | None  # since the round before, None where none was kept
    losses: tuple[GatewayWas, ...] = ()


class RoundBoard:
    """The Morning round's fragments, for all its tabs."""

    def __init__(
        self, given: Services, standings: Standings, days: Days, tags: HangingTags
    ) -> None:
        self._given = given
        self._tags = tags
        self._standings = standings
        self._days = days
        self._screens = Screens(given)
        prepare(TEMPLATES)
        self._board = Board()
        self._past = RoundPast(given)
        self._rows = KeptRows()
        self._turn = Lock()

    def since(self, version: int) -> tuple[int, Markup]:
        """Return the newest version and the message that brings a tab there."""
        return self._board.since(version)

    def handed_over(self) -> None:
        """Look again for what was handed over: something was just now."""
        self._past.forget()

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
        needed = needs_now(given, standings)
        ranks, tags = ranks_of(needed.found), self._tags.now()
        groups = tuple(
            Group(
                gateway_head(gateway, states.get(gateway.gateway_id)),
                self._rows.of(network, gateway, standings, days, ranks, tags),
            )
            for gateway in network.gateways
        )
        past = self._past.upto(given.now_ms())
        keys = [one.key for one in needed.found]
        return View(
            system_lines(given),
            given.notice(),
            summary(
                standings.values(),
                needed.found,
                {key: day.pause for key, day in days.items()},
                health,
            ),
            self._standings.judged_ms,
            needed,
            groups,
            past,
            None if past.before is None else changes(past.before, keys),
            given.losses(),
        )

    def show(self, view: View) -> int:
        """Keep the fragments of what is new in ``view``; return the version it is shown at."""
        board, clock = self._board, self._screens.clock()
        with board.lock:
            told = {"system": view.system, "notice": view.notice}
            self._put("system", "system", (view.system, view.notice), told, clock)
            checked = (view.summary, view.checked_ms)
            context = {"summary": view.summary, "checked_ms": view.checked_ms, "clock": clock}
            self._put("checked", "checked", checked, context, clock)
            new = view.changed.new if view.changed else ()
            self._put("findings", "findings", (view.needs, new), lambda: worded(view, clock), clock)
            since = (view.past.before, view.losses, view.changed)
            self._put("since", "since", since, lambda: since_words(view, clock), clock)
            handed = {"handed": view.past.handed, "clock": clock}
            self._put("handed", "handed", view.past.handed, handed, clock)
            for group in view.groups:
                name = f"gateway-{group.head.key}"
                self._put(name, "gateway_head", group.head, {"head": group.head}, clock)
                for row in group.rows:
                    context = {"row": row, "clock": clock}
                    self._put(f"site-{row.key}", "site_row", row, context, clock)
            return board.version

    def kept(self, name: str) -> Markup:
        """Return a fragment as it was shown last, its ages as of now."""
        return self._board.shown(name, self._given.now_ms())

    def _put(
        self,
        name: str,
        partial: str,
        model: object,
        context: Context | Callable[[], Context],
        clock: Clock,
    ) -> None:
        def render() -> Markup:
            made = context() if callable(context) else context
            return self._screens.fragment(f"partials/{partial}.html", made)

        # Times of another day are written with their day, so a new day writes them anew.
        self._board.put(name, (model, _today(clock), clock.zone), render)


def _today(clock: Clock) -> date:
    return datetime.fromtimestamp(clock.now_ms / 1000, clock.zone).date()


def worded(view: View, clock: Clock) -> dict[str, object]:
    """Return the findings in sentences, those for today and those worth watching."""
    act, watch = worst_first(view.needs.found)
    new = view.changed.new if view.changed else ()

    def line(one: Finding) -> Line:
        return line_of(one, view.needs.causes.get(one.key, ()), clock, one.key in new)

    return {"act": [line(one) for one in act], "watch": [line(one) for one in watch]}


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
    request: Request,
    given: Given,
    board: TheRound,
    days: TheDays,
    show: Show,
    wanted: Annotated[Asked, Depends(asked)],
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
            "kept": board.kept,
            "table": table(view.groups, wanted, board.kept),
            "shows": SHOWS,
            "orders": ORDERS,
            "handover_longest": HANDOVER_LONGEST,
        },
    )


@router.post("/handover")
def hand_over(
    given: Given,
    person: ThePerson,
    board: TheRound,
    text: Annotated[str, Form(max_length=HANDOVER_LONGEST)],
) -> Response:
    """Tell the next shift something; the round shows it."""
    words = plain(text, HANDOVER_LONGEST)
    if len(words) < 3:
        raise Problem(422, "Write a few words; whoever comes next reads them.")
    at_ms = given.now_ms()
    with given.database.writing() as connection:
        told = Act("round.handover", "round", "round", {}, {"text": words})
        tell(connection, given, person, told)
        rounds.hand_over(connection, at_ms=at_ms, actor=person.name, text=words)
    board.handed_over()
    return RedirectResponse("/#handover", 303)


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

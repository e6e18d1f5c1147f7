"""Before you drive: one sheet that says within five seconds whether to start the engine.

On a phone, on one sheet of paper, or as one file that needs nothing else. What opens a lock is
on the page alone, for whoever signed in with the right to it; never on paper, never in a file.
"""

from typing import Annotated

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from tallymast.domain.leaving import CLOCK, back_words, leaving_words
from tallymast.domain.local_times import local_time
from tallymast.domain.model import SitePlan
from tallymast.domain.people import plain
from tallymast.routes.api.finding import the_site
from tallymast.routes.api.jobs import ask_desk_test
from tallymast.routes.api.notes import Kind, add_note
from tallymast.routes.day import Days, TheDays
from tallymast.routes.drive_sheet import desk_line, read_sheet
from tallymast.routes.inlined import inlined_styles, unlinked
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.standings import Standings, TheStandings
from tallymast.routes.still_clock import StillClock
from tallymast.routes.who import Person, ThePerson

router = APIRouter(include_in_schema=False)

_STYLES = ("tokens.css", "base.css", "drive.css")


@router.get("/sites/{key}/drive")
def drive_page(
    request: Request,
    key: str,
    given: Given,
    standings: TheStandings,
    days: TheDays,
    person: ThePerson,
    show: Show,
) -> HTMLResponse:
    """Show what is to be known before driving to a site."""
    plan = the_site(given.network(), key)
    may_open = person.may("locks")
    context = {
        **_context(given, (standings, days), show, plan),
        "opens": may_open,
        "linked": lambda text: text,
        "in_file": False,
    }
    answer = show.page(request, "drive.html", context)
    if may_open and plan.site.locks:
        answer.headers["Cache-Control"] = "no-store"
    return answer


@router.get("/sites/{key}/drive.html")
def drive_file(
    key: str, given: Given, standings: TheStandings, days: TheDays, show: Show
) -> Response:
    """Answer the same as one file that needs nothing else; locks stay masked in it."""
    plan = the_site(given.network(), key)
    context = _context(given, (standings, days), show, plan)
    network = given.network()
    html = show.fragment(
        "drive_file.html",
        {
            **context,
            "title": network.title,
            "version": given.version,
            "styles": inlined_styles(*_STYLES),
            "person": None,
            "opens": False,
            "linked": unlinked,
            "in_file": True,
        },
    )
    name = f"drive-{plan.site.key}-{_day(_clock(given, show))}.html"
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return HTMLResponse(html, headers=headers)


def _context(
    given: Services, known: tuple[Standings, Days], show: Screens, plan: SitePlan
) -> dict[str, object]:
    clock = _clock(given, show)
    return {
        "clock": clock,
        "key": plan.site.key,
        "site": plan.site,
        "gateway": given.network().gateway_of(plan.site_id).gateway,
        "sheet": read_sheet(given, *known, plan, clock),
        "time_now": f"{clock.minute // 60:02d}:{clock.minute % 60:02d}",
    }


def _clock(given: Services, show: Screens) -> StillClock:
    return StillClock(show.clock().zone, given.now_ms())


def _day(clock: StillClock) -> str:
    return f"{local_time(clock.now_ms, clock.zone):%Y-%m-%d}"


# --- the desk test --------------------------------------------------------------------------


@router.post("/sites/{key}/drive/desk-test")
def drive_desk_test(
    request: Request, key: str, given: Given, person: ThePerson, show: Show
) -> Response:
    """Ask for twenty polls in a row; the sheet tells how they go."""
    ask_desk_test(given, key, person)
    if "hx-request" in request.headers:
        return _desk(key, given, show)
    return RedirectResponse(f"/sites/{key}/drive#desk-title", 303)


@router.get("/sites/{key}/drive/desk-test")
def drive_desk_line(key: str, given: Given, show: Show) -> Response:
    """Answer where the newest desk test stands."""
    return _desk(key, given, show)


def _desk(key: str, given: Services, show: Screens) -> Response:
    desk, done_ms = desk_line(given, the_site(given.network(), key))
    context = {"key": key, "desk": desk, "done_ms": done_ms, "clock": _clock(given, show)}
    return HTMLResponse(show.fragment("partials/drive_desk.html", {**context, "in_file": False}))


# --- who knows I am there --------------------------------------------------------------------

_Clock = Annotated[str, Form(pattern=rf"^{CLOCK}$")]
_Name = Annotated[str, Form(min_length=2, max_length=60)]


@router.post("/sites/{key}/drive/leaving")
def leave(
    key: str, given: Given, person: ThePerson, name: _Name, out: _Clock, back: _Clock, knows: _Name
) -> Response:
    """Write into the log book who leaves, back when, and who knows."""
    plan = the_site(given.network(), key)
    text = leaving_words(_name(name), plan.site.name, out, back, _name(knows))
    return _written(given, key, text, person)


@router.post("/sites/{key}/drive/back")
def come_back(
    key: str, given: Given, person: ThePerson, show: Show, name: Annotated[str, Form()]
) -> Response:
    """Write into the log book that somebody is back."""
    plan, clock = the_site(given.network(), key), _clock(given, show)
    at = f"{clock.minute // 60:02d}:{clock.minute % 60:02d}"
    return _written(given, key, back_words(_name(name), plan.site.name, at), person)


def _written(given: Services, key: str, text: str, person: Person) -> Response:
    add_note(given, key, Kind.VISIT, text, person)
    return RedirectResponse(f"/sites/{key}/drive#who-title", 303)


def _name(text: str) -> str:
    cleaned = plain(text, 60).replace(";", ",")
    if not cleaned:
        raise Problem(422, "Write who it is; whoever looks for them reads it.")
    return cleaned

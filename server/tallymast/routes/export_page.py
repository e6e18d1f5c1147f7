"""The page on which points and a period are chosen and files of them are had."""

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Form, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from pydantic import BaseModel, ConfigDict, Field

from tallymast.domain import exports
from tallymast.domain.exports import FORMATS, HOW, Extract, Format
from tallymast.domain.model import GatewayPlan
from tallymast.domain.zones import find_zone
from tallymast.files import parquet_file
from tallymast.routes.api.exports import How, ask, the_extract, told
from tallymast.routes.api.spans import Span, milliseconds
from tallymast.routes.export_rows import NAMES, export_rows, size_words
from tallymast.routes.formats import number
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import ThePerson

OWN_DAYS: Final = "days"
PERIODS: Final = (
    ("yesterday", "yesterday"),
    ("last-7-days", "last 7 days"),
    ("last-30-days", "last 30 days"),
    ("this-month", "this month"),
    ("last-month", "last month"),
    (OWN_DAYS, "the days below"),
)
RESOLUTIONS: Final = (
    ("auto", "by length of the period"),
    ("raw", "every poll"),
    ("hour", "hours"),
    ("day", "contract days"),
)
router = APIRouter(include_in_schema=False)

Period = Literal["yesterday", "last-7-days", "last-30-days", "this-month", "last-month", "days"]


class Wish(BaseModel):
    """The form as it was filled in."""

    model_config = ConfigDict(populate_by_name=True)

    points: list[str] = Field(default=[], max_length=5000)
    site: list[str] = Field(default=[], max_length=5000)
    period: Period = "last-7-days"
    begin: str = Field(default="", alias="from", max_length=10)
    end: str = Field(default="", alias="to", max_length=10)
    resolution: How = "auto"
    format: Format = "csv"


@dataclass(frozen=True, slots=True)
class SizeLine:
    """What a choice comes to: a sentence, and how long a file of each format would be."""

    words: str
    files: tuple[tuple[str, str], ...] = ()


@router.get("/export")
def export_page(
    request: Request, given: Given, show: Show, wish: Annotated[Wish, Query()]
) -> HTMLResponse:
    """Show what can be chosen, what a choice comes to, and the latest exports."""
    return _page(request, given, show, wish)


@router.get("/export/size")
def export_size(given: Given, show: Show, wish: Annotated[Wish, Query()]) -> HTMLResponse:
    """Say what a choice comes to."""
    return HTMLResponse(show.fragment("partials/export_size.html", {"size": _size(given, wish)}))


@router.get("/export/list")
def export_list(given: Given, show: Show) -> HTMLResponse:
    """Return the latest exports and how they go."""
    context = {"exports": export_rows(given), "clock": show.clock()}
    return HTMLResponse(show.fragment("partials/exports.html", context))


@router.post("/export")
def make_export(
    request: Request,
    given: Given,
    person: ThePerson,
    show: Show,
    wish: Annotated[Wish, Form()],
) -> Response:
    """Have a file made; the page tells how far it is and then offers it."""
    try:
        ask(given, person, _extract(given, wish), wish.format)
    except Problem as problem:
        return _page(request, given, show, wish, problem)
    return RedirectResponse("/export#made", 303)


def _page(
    request: Request, given: Services, show: Screens, wish: Wish, wrong: Problem | None = None
) -> HTMLResponse:
    rows = export_rows(given)
    zone = find_zone(given.network().time_zone)
    today = datetime.fromtimestamp(given.now_ms() / 1000, zone).date()
    context = {
        "wish": wish,
        "wrong": wrong.detail if wrong else "",
        "gateways": _offered(given, wish),
        "zone": given.network().time_zone,
        "periods": PERIODS,
        "resolutions": RESOLUTIONS,
        "formats": [(one, NAMES[one], _is_possible(one)) for one in FORMATS],
        "missing": parquet_file.MISSING if not parquet_file.is_possible() else "",
        "today": today.isoformat(),
        "size": _size(given, wish),
        "exports": rows,
        "goes_on": any(row.progress is not None for row in rows),
    }
    return show.page(request, "export.html", context, wrong.status if wrong else 200)


def _offered(given: Services, wish: Wish) -> tuple[GatewayPlan, ...]:
    """Return what can be chosen: sites in use, and a retired one that was asked for by name."""
    named = {*wish.site, *(word.partition("/")[0] for word in wish.points)}
    network = given.network()
    if not named & {one.site.key for one in network.retired}:
        return network.gateways
    return tuple(
        replace(
            one,
            sites=tuple(
                site for site in one.sites if site.site.retired is None or site.site.key in named
            ),
        )
        for one in network.gateways_with_retired()
    )


def _is_possible(kind: Format) -> bool:
    return kind != "parquet" or parquet_file.is_possible()


# --- what is chosen -------------------------------------------------------------------


def _extract(given: Services, wish: Wish) -> Extract:
    return the_extract(given, wish.points, wish.site, _span(given, wish), wish.resolution)


def _span(given: Services, wish: Wish) -> Span:
    zone = find_zone(given.network().time_zone)
    if wish.period != OWN_DAYS:
        now = datetime.fromtimestamp(given.now_ms() / 1000, zone)
        begin, end = exports.preset(wish.period, now)
    else:
        begin = exports.midnight(_day(wish.begin, "From"), zone)
        end = exports.midnight(_day(wish.end, "To", later=1), zone)
    return Span(milliseconds(begin), milliseconds(end))


def _day(text: str, field: str, later: int = 0) -> date:
    try:
        return date.fromisoformat(text) + timedelta(days=later)
    except (ValueError, OverflowError) as error:
        said = f"is {text!r}, which is no day" if text else "is empty"
        raise Problem(422, f"{field} {said}; write one like 2026-03-08.") from error


def _size(given: Services, wish: Wish) -> SizeLine:
    """Return what a choice comes to, or what is wrong with it."""
    if not wish.points and not wish.site:
        return SizeLine("Choose sites or single points; what they come to is said here.")
    try:
        extract = _extract(given, wish)
    except Problem as problem:
        return SizeLine(problem.detail)
    rows = exports.rows_about(extract)
    act = told(given, extract, "csv")
    files = tuple((NAMES[kind].partition(",")[0], _bytes(rows, extract, kind)) for kind in FORMATS)
    what = f"{act.after['n']} of {act.name}, {act.after['period']}, {HOW[extract.resolution]}"
    count = "1 row" if rows == 1 else f"{number(_rounded(rows))} rows"
    return SizeLine(f"{what}: about {count}.", files)


def _rounded(rows: int) -> int:
    """Return a count to two digits: it is an estimate."""
    step: int = 10 ** max(len(str(rows)) - 2, 0)
    return round(rows / step) * step


def _bytes(rows: int, extract: Extract, kind: Format) -> str:
    return "about " + size_words(exports.bytes_about(rows, extract.resolution, kind))

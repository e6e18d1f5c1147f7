"""Reports to hand over: the kept months, and any period or kept round as a file.

A report is small and made at once in memory; kept months lie in a folder of their own.
"""

from typing import Annotated, Final, Literal

from fastapi import APIRouter, Form, Query, Request, Response
from fastapi.responses import FileResponse, HTMLResponse, RedirectResponse
from pydantic import BaseModel, ConfigDict, Field

from tallymast.domain.audit import Act
from tallymast.domain.errors import ConfigError
from tallymast.domain.health.nights import day_number, day_of
from tallymast.domain.record.days import date_of
from tallymast.domain.record.months import month_named
from tallymast.domain.rounds import KeptRound
from tallymast.files.report_shelf import file_name
from tallymast.files.writing import MEDIA
from tallymast.routes.made_files import Turns, attached, tell_made
from tallymast.routes.problems import Problem
from tallymast.routes.reliability_page import sites_of
from tallymast.routes.reliability_periods import PERIODS, Wish, the_day, the_period
from tallymast.routes.reliability_reading import contract_of
from tallymast.routes.reliability_sheets import RELIABILITY
from tallymast.routes.reliability_shelf import TheReports
from tallymast.routes.report_months import keep_month, months
from tallymast.routes.round_paper import ROUND, read_papers
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import ThePerson, tell
from tallymast.storage import rounds

router = APIRouter(include_in_schema=False)

Format = Literal["html", "csv", "xlsx"]
FORMATS: Final[tuple[tuple[Format, str], ...]] = (
    ("html", "HTML, to print or send"),
    ("xlsx", "XLSX, spreadsheet"),
    ("csv", "CSV, text"),
)
_HTML: Final = "text/html; charset=utf-8"
_MAKING: Final = Turns(2, "Others are having reports made already; try again in a minute.")  # ours


class RoundWish(BaseModel):
    """Which kept rounds: local days, both included; without any the newest."""

    model_config = ConfigDict(populate_by_name=True)

    begin: str = Field(default="", alias="from", max_length=10)
    end: str = Field(default="", alias="to", max_length=10)


# --- any period, any round ------------------------------------------------------------------


@router.get("/reports/reliability")
def reliability_report(
    given: Given,
    person: ThePerson,
    made: TheReports,
    wish: Annotated[Wish, Query()],
    format: Format = "html",
) -> Response:
    """Return a period's reliability as a file; without a period the last whole month."""
    network = given.network()
    if not (wish.period or wish.begin or wish.end):
        wish = wish.model_copy(update={"period": "last-month"})
    period = the_period(wish, contract_of(network), given.now_ms())
    with _MAKING.one():
        report = made.of(period, sites_of(network, wish.where))
        found = given.findings_between(period.from_ms, period.to_ms)
        body = RELIABILITY[format](given, report, found)
    days = f"{period.first}-to-{period.last}"
    tell_made(given, person, "reliability", f"{period.first} to {period.last}", format)
    return attached(body, f"reliability-{days}.{format}", _media(format))


@router.get("/reports/round")
def round_report(
    given: Given,
    person: ThePerson,
    wish: Annotated[RoundWish, Query()],
    format: Format = "html",
) -> Response:
    """Return kept Morning rounds as a file."""
    kept = _rounds(given, wish)
    try:
        with _MAKING.one():
            body = ROUND[format](given, read_papers(given, kept))
    except ConfigError as error:
        raise Problem(422, str(error)) from error
    first, last = day_of(kept[0].day).isoformat(), day_of(kept[-1].day).isoformat()
    days = first if first == last else f"{first}-to-{last}"
    tell_made(given, person, "the Morning round", days.replace("-to-", " to "), format)
    return attached(body, f"round-{days}.{format}", _media(format))


def _rounds(given: Services, wish: RoundWish) -> list[KeptRound]:
    with given.database.reading() as connection:
        if not (wish.begin or wish.end):
            newest = rounds.days(connection, 1)
            days = (newest[0], newest[0]) if newest else (0, -1)
        else:
            ends = (wish.begin or wish.end, wish.end or wish.begin)
            first, last = (the_day(*one) for one in zip(ends, ("From", "To"), strict=True))
            if first > last:
                raise Problem(422, "The first day lies after the last one.")
            days = (day_number(first), day_number(last))
        kept = rounds.between(connection, *days)
    if not kept:
        raise Problem(404, "No round is kept of these days.")
    return kept


def _media(kind: str) -> str:
    return {"html": _HTML, "csv": MEDIA["csv"], "xlsx": MEDIA["xlsx"]}[kind]


# --- the months -----------------------------------------------------------------------------


@router.get("/reports")
def reports_page(request: Request, given: Given, show: Show) -> HTMLResponse:
    """Show the kept months, and forms to have any period or round as a file."""
    network = given.network()
    today = date_of(given.now_ms(), contract_of(network)).isoformat()
    with given.database.reading() as connection:
        days = [day_of(day).isoformat() for day in rounds.days(connection, 1)]
    context = {
        "months": months(given),
        "trouble": given.report_trouble(),
        "is_kept": given.reports is not None,
        "periods": PERIODS,
        "formats": FORMATS,
        "today": today,
        "newest_round": days[0] if days else "",
    }
    return show.page(request, "reports.html", context)


@router.get("/reports/kept/{name}", response_class=FileResponse)
def kept_report(name: str, given: Given) -> Response:
    """Return a kept month's file."""
    found = given.reports.of(name) if given.reports is not None else None
    if found is None:
        raise Problem(404, "No report of that name is kept; /reports lists them.")
    return FileResponse(found.path, media_type=_media(found.kind), filename=found.path.name)


@router.post("/reports/months")
def keep_anew(
    given: Given,
    person: ThePerson,
    month: Annotated[str, Form(max_length=7)],
) -> Response:
    """Tell a month that is over anew and keep that beside what was told before."""
    shelf = given.reports
    if shelf is None:
        raise Problem(503, "No reports are kept here; use `tallymast report` at the machine.")
    try:
        first = month_named(month)
    except ConfigError as error:
        raise Problem(422, str(error)) from error
    if not any(one.name == month and one.can_anew for one in months(given)):
        raise Problem(422, f"{month} is not over, too long ago, or before the record begins.")
    with _MAKING.one():
        number = shelf.next_number(month)
        keep_month(given, shelf, first, number)
    with given.database.writing() as connection:
        after = {"file": file_name(month, number, "html")}
        act = Act("report.keep", "record", "report", {}, after, f"{first:%B %Y}")
        tell(connection, given, person, act)
    return RedirectResponse("/reports", 303)

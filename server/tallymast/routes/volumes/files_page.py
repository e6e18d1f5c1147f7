"""Volumes to hand over: a month's statement to print, and files of days or hours."""

from typing import Annotated, Final, Literal

from fastapi import APIRouter, Query, Response

from tallymast.domain.errors import ConfigError
from tallymast.domain.exports import Format
from tallymast.files.parquet_sheet import parquet_bytes
from tallymast.files.sheets import csv_bytes, xlsx_bytes
from tallymast.files.writing import MEDIA
from tallymast.routes.made_files import Turns, attached, tell_made
from tallymast.routes.problems import Problem
from tallymast.routes.reliability_paper import paper_clock
from tallymast.routes.reliability_reading import contract_of
from tallymast.routes.report_words import made_sentence
from tallymast.routes.services import Given, Services
from tallymast.routes.volumes.listing import Listed, listed, spans_in
from tallymast.routes.volumes.periods import Period, the_period
from tallymast.routes.volumes.points import Stood, all_points, chosen
from tallymast.routes.volumes.sheet import KINDS, about, about_sheet, sheet_of
from tallymast.routes.volumes.statement import statement_html
from tallymast.routes.who import ThePerson

router = APIRouter(include_in_schema=False)

MOST_LINES: Final = 100_000  # ours: a spreadsheet of these takes some seconds to make
_MAKING: Final = Turns(2, "Others are having files made already; try again in a minute.")  # ours

Month = Annotated[str, Query(max_length=7)]
Word = Annotated[str, Query(max_length=200)]


@router.get("/volumes/statement")
def statement(
    given: Given,
    person: ThePerson,
    month: Month = "",
    area: Word = "",
    site: Word = "",
    tag: Word = "",
) -> Response:
    """Return a month's statement as one HTML file to print or send."""
    period = the_period(month, 0, contract_of(given.network()), given.now_ms())
    with _MAKING.one():
        points = _points(given, area, site, tag)
        body = statement_html(given, period, points, area)
    tell_made(given, person, "volumes", period.words, "html")
    name = f"volumes-{period.month}{_named(area, site, tag)}.html"
    return attached(body, name, "text/html; charset=utf-8")


@router.get("/volumes/file")
def volumes_file(
    given: Given,
    person: ThePerson,
    month: Month = "",
    last: Annotated[int, Query(ge=0, le=31)] = 0,
    area: Word = "",
    site: Word = "",
    tag: Word = "",
    resolution: Literal["day", "hour"] = "day",
    format: Format = "csv",
) -> Response:
    """Return the days or hours of some points as a file."""
    period = the_period(month, last, contract_of(given.network()), given.now_ms())
    points = _points(given, area, site, tag)
    with _MAKING.one():
        items = _items(given, period, points, resolution)
        try:
            body = _body(given, period, items, format)
        except ConfigError as error:
            raise Problem(422, str(error)) from error
    tell_made(given, person, "volumes", period.words, format)
    when = period.month or f"{period.days[0]}-to-{period.days[-1]}"
    name = f"volumes-by-{resolution}-{when}{_named(area, site, tag)}.{format}"
    return attached(body, name, MEDIA[format])


def _points(given: Services, area: str, site: str, tag: str) -> list[Stood]:
    with given.database.reading() as conn:
        found = chosen(all_points(conn, given.network()), area, site, tag)
    if not found:
        raise Problem(404, "No counting point matches; /volumes lists them.")
    return found


def _items(
    given: Services, period: Period, points: list[Stood], resolution: Literal["day", "hour"]
) -> list[Listed]:
    contract, now_ms = contract_of(given.network()), given.now_ms()
    spans = spans_in(resolution, (period.begin_ms, period.end_ms), contract)
    spans = [one for one in spans if one[0] < now_ms]
    if len(spans) * len(points) > MOST_LINES:
        raise Problem(422, "That would be too long a file; choose an area, a site, or days.")
    items: list[Listed] = []
    for one in points:  # each in a read of its own, so that none holds the database for long
        with given.database.reading() as conn:
            items += listed(conn, one, spans, contract, now_ms)
    return items


def _body(given: Services, period: Period, items: list[Listed], kind: Format) -> bytes:
    network = given.network()
    sheet = sheet_of(items, network)
    if kind == "csv":
        return csv_bytes(sheet)
    made = made_sentence(given, paper_clock(given, period.begin_ms))
    told = about(network, period.words, made)
    if kind == "parquet":
        return parquet_bytes(sheet, KINDS, told)
    return xlsx_bytes([sheet, about_sheet(told)], f"Volumes, {period.words}", given.now_ms())


def _named(*words: str) -> str:
    """Return what a file's name says besides: letters and digits of what was chosen."""
    plain = ["".join(c if c.isascii() and c.isalnum() else "-" for c in word) for word in words]
    return "".join(f"-{word.lower()}" for word in plain if word)

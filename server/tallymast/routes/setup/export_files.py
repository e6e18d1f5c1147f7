"""The network as files: the network file, and its sites and points as tables."""

from typing import Final

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from tallymast.domain.audit import Act
from tallymast.domain.network_file import Written
from tallymast.domain.people import Right
from tallymast.domain.setup.tables import TableKind
from tallymast.files.network_out import network_toml, network_xlsx, table_csv
from tallymast.files.writing import MEDIA
from tallymast.routes.door import NOT_KEPT
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, Services
from tallymast.routes.setup.changing import as_written
from tallymast.routes.who import Person, ThePerson, tell

TOML: Final = "application/toml"
router = APIRouter(include_in_schema=False)


@router.get("/setup/export")
def export_page(request: Request, given: Given, person: ThePerson, show: Show) -> HTMLResponse:
    """Show which files of the network there are."""
    base, written = as_written(given)
    points = sum(
        len(body.get("point", []))
        for table in ("profile", "site")
        for body in written.get(table, [])
    )
    context = {
        "base": base,
        "sites": len(written.get("site", [])),
        "points": points,
        "codes": person.may(Right.LOCKS),
        "guarded": person.guarded,
    }
    return show.page(request, "setup_export.html", context)


@router.get("/setup/export/network.toml")
def network_text(given: Given, person: ThePerson) -> Response:
    """Answer the network file; with what opens locks only for those who may read it."""
    base, written = as_written(given)
    return toml_file(given, person, written, f"network-{base}.toml")


@router.get("/setup/export/sites.csv")
def sites_table(given: Given, person: ThePerson) -> Response:
    """Answer the table of sites."""
    return _csv(given, person, "sites")


@router.get("/setup/export/points.csv")
def points_table(given: Given, person: ThePerson) -> Response:
    """Answer the table of points."""
    return _csv(given, person, "points")


@router.get("/setup/export/network.xlsx")
def spreadsheet(given: Given, person: ThePerson) -> Response:
    """Answer both tables as a spreadsheet."""
    base, written = as_written(given)
    title = str(written.get("title", "Network"))
    made = network_xlsx(written, title=title, revision=base, made_ms=given.now_ms())
    _tell(given, person, "XLSX", "without locks")
    return _file(made, MEDIA["xlsx"], f"network-{base}.xlsx")


def toml_file(given: Services, person: Person, written: Written, name: str) -> Response:
    """Answer a network as its file, in the version this person may read; it is written down."""
    codes = person.may(Right.LOCKS)
    made = network_toml(written, codes=codes)
    _tell(given, person, "TOML", f"{'with' if codes else 'without'} what opens locks ({name})")
    answer = _file(made, TOML, name)
    if codes:
        answer.headers.update(NOT_KEPT)
    return answer


def _csv(given: Services, person: Person, kind: TableKind) -> Response:
    base, written = as_written(given)
    _tell(given, person, "CSV", f"the {kind}, without locks")
    return _file(table_csv(written, kind), MEDIA["csv"], f"{kind}-{base}.csv")


def _file(content: bytes, media: str, name: str) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type=media, headers=headers)


def _tell(given: Services, person: Person, kind: str, words: str) -> None:
    with given.database.writing() as connection:
        act = Act("network.export", "network", "network", {}, {"format": kind, "words": words})
        tell(connection, given, person, act)

"""The hardware register: what is fitted where, what was there before, what lies in the store."""

from collections.abc import Mapping
from typing import Annotated, Any, Final, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from tallymast.domain.audit import Act
from tallymast.domain.life.part_words import part_words
from tallymast.domain.life.parts import KINDS, Field, read_entry
from tallymast.domain.life.replacing import Bridge, bridge_words
from tallymast.domain.model import SitePlan
from tallymast.routes.api.finding import any_site, the_site
from tallymast.routes.life.as_reported import disagreements, reported_firmware, towards
from tallymast.routes.life.hardware_acts import (
    dispose,
    enter,
    part_of,
    place_of,
    sites_by_id,
    take,
    to_store,
)
from tallymast.routes.life.hardware_rows import Wanted, file_of, rows_of
from tallymast.routes.life.typed import TheTyped, Typed
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, NetworkView, Services
from tallymast.routes.who import ThePerson, tell
from tallymast.storage import count_events, hardware
from tallymast.storage.count_events import CountEvent
from tallymast.storage.hardware import Part

_HIGHEST: Final = 2**62
_COUNT: Final = Field("count", "How many alike", "number", "", 1, 999)

router = APIRouter(include_in_schema=False)

KindKey = Annotated[str, Query(max_length=20)]


def _wanted(
    q: Annotated[str, Query(max_length=100)] = "",
    kind: KindKey = "",
    site: Annotated[str, Query(max_length=200)] = "",
    where: Annotated[Literal["", "fitted", "store"], Query()] = "",
) -> Wanted:
    """Return which entries a page or a file is to hold."""
    return Wanted(q, kind, site, where)


TheWanted = Annotated[Wanted, Depends(_wanted)]


@router.get("/hardware")
def hardware_page(
    request: Request, given: Given, show: Show, asked: TheWanted, add: KindKey = ""
) -> HTMLResponse:
    """Show the whole register: by site, and the store."""
    return _whole_page(request, given, show, asked, {"kind": add}, {})


@router.get("/hardware.csv")
def hardware_file(given: Given, asked: TheWanted) -> Response:
    """Return the entries asked for as a table of text."""
    with given.database.reading() as connection:
        rows = rows_of(hardware.everything(connection), sites_by_id(given.network()))
    headers = {"Content-Disposition": 'attachment; filename="hardware.csv"'}
    body = file_of([row for row in rows if asked.takes(row)])
    return Response(body, media_type="text/csv", headers=headers)


@router.post("/hardware")
def enter_spare(
    request: Request, given: Given, person: ThePerson, show: Show, typed: TheTyped
) -> Response:
    """Enter a spare into the store."""
    entry, wrong = read_entry(typed, in_store=True)
    if wrong:
        return _whole_page(request, given, show, Wanted(), typed, wrong, 422)
    enter(given, person, entry, None)
    return RedirectResponse("/hardware?where=store", 303)


@router.get("/sites/{key}/hardware")
def site_hardware(
    request: Request, key: str, given: Given, show: Show, add: KindKey = ""
) -> HTMLResponse:
    """Show what is fitted at a site, and what was there before."""
    return _site_page(request, given, show, any_site(given.network(), key), {"kind": add}, {})


@router.post("/sites/{key}/hardware")
def enter_fitted(
    request: Request, key: str, given: Given, person: ThePerson, show: Show, typed: TheTyped
) -> Response:
    """Enter what is fitted at a site, or take it from the store."""
    plan = the_site(given.network(), key)
    if typed.get("part"):
        take(given, person, _the_part(given, typed["part"]), plan, typed.get("place", ""))
        return RedirectResponse(f"/sites/{key}/hardware", 303)
    entry, wrong = read_entry(typed, in_store=False)
    if wrong:
        return _site_page(request, given, show, plan, typed, wrong, 422)
    enter(given, person, entry, plan)
    return RedirectResponse(f"/sites/{key}/hardware", 303)


@router.get("/hardware/{number}")
def part_page(request: Request, number: str, given: Given, show: Show) -> HTMLResponse:
    """Show one entry: to correct it, to move it, to take it out."""
    part = _the_part(given, number)
    return _part_page(request, given, show, part, typed_of(part), {})


@router.post("/hardware/{number}")
def correct_part(
    request: Request, number: str, given: Given, person: ThePerson, show: Show, typed: TheTyped
) -> Response:
    """Put what is right in place of a mistake."""
    part = _the_part(given, number)
    entry, wrong = read_entry({"kind": part.kind, **typed}, in_store=part.site_id is None)
    if wrong:
        return _part_page(request, given, show, part, typed, wrong, 422)
    kept = {key: part.detail[key] for key in ("ended",) if key in part.detail}
    right = part_of(entry, part.site_id, part.from_ms, part.actor, part.id, kept)
    with given.database.writing() as connection:
        hardware.correct(connection, right, given.now_ms())
        before, after = {"was": part_words(part)}, {"what": part_words(right)}
        where = place_of(given.network(), part)
        act = Act("part.correct", "part", str(part.id), before, after, where)
        tell(connection, given, person, act)
    return RedirectResponse(_back(given, part), 303)


@router.post("/hardware/{number}/move")
def move_part(number: str, given: Given, person: ThePerson, typed: TheTyped) -> Response:
    """Move a part to a site, into the store, or out of the register."""
    part, to, place = _the_part(given, number), typed.get("to", ""), typed.get("place", "")
    if part.to_ms is not None:
        raise Problem(409, "This part is not there any more; look at the register anew.")
    if to == "disposed":
        dispose(given, person, part, typed.get("how", ""))
    elif to == "store":
        to_store(given, person, part, place)
    elif to:
        take(given, person, part, the_site(given.network(), to), place)
    else:
        raise Problem(422, "Say where it goes: a site, the store, or out of the register.")
    return RedirectResponse(_back(given, part), 303)


# --- showing ----------------------------------------------------------------------------


def _whole_page(
    request: Request,
    given: Services,
    show: Screens,
    asked: Wanted,
    typed: Typed,
    wrong: Mapping[str, str],
    status: int = 200,
) -> HTMLResponse:
    network = given.network()
    with given.database.reading() as connection:
        rows = rows_of(hardware.everything(connection), sites_by_id(network))
    found = [row for row in rows if asked.takes(row)]
    query = {"q": asked.words, "kind": asked.kind, "site": asked.site, "where": asked.where}
    context = {
        "groups": _by_place(found, network),
        "store": [row for row in found if row.part.site_id is None],
        "count": len(rows),
        "asked": asked,
        "file": "/hardware.csv?" + urlencode({key: one for key, one in query.items() if one}),
        "sites": sorted((one.site.name, one.site.key) for one in network.sites),
        **_form(typed, wrong, in_store=True),
    }
    return show.page(request, "hardware.html", context, status)


def _by_place(rows: list[Any], network: NetworkView) -> list[tuple[SitePlan, list[Any]]]:
    by_site: dict[int, list[Any]] = {}
    for row in rows:
        if row.site is not None:
            by_site.setdefault(row.site.site_id, []).append(row)
    order = (*network.sites, *network.retired)
    return [(one, by_site[one.site_id]) for one in order if one.site_id in by_site]


def _site_page(
    request: Request,
    given: Services,
    show: Screens,
    plan: SitePlan,
    typed: Typed,
    wrong: Mapping[str, str],
    status: int = 200,
) -> HTMLResponse:
    network, state = given.network(), given.live.sites().get(plan.site_id)
    with given.database.reading() as connection:
        parts = hardware.of_site(connection, plan.site_id)
        spares = hardware.in_store(connection)
        counted = count_events.of_site(connection, plan.site_id)
    there = [one for one in parts if one.to_ms is None]
    reported = reported_firmware(network, plan, state, given.now_ms())
    to = towards(network, plan)
    names = sites_by_id(network)
    context = {
        "key": plan.site.key,
        "site": plan.site,
        "fitted": rows_of(there, names),
        "gone": rows_of([one for one in parts if one.to_ms is not None], names),
        "spares": rows_of(spares, names),
        "reported": reported,
        "towards": to,
        "differ": disagreements(plan, there, reported[0] if reported else None, to),
        "counted": [(one, _bridged(tag, one)) for tag, one in counted],
        **_form(typed, wrong, in_store=False),
    }
    return show.page(request, "site_hardware.html", context, status)


def _bridged(tag: str, one: CountEvent) -> str:
    return bridge_words(Bridge(tag, one.before, one.after, one.unknown))


def _part_page(
    request: Request,
    given: Services,
    show: Screens,
    part: Part,
    typed: Typed,
    wrong: Mapping[str, str],
    status: int = 200,
) -> HTMLResponse:
    network = given.network()
    (row,) = rows_of([part], sites_by_id(network))
    context = {
        "row": row,
        "sites": sorted((one.site.name, one.site.key) for one in network.sites),
        **_form({**typed, "kind": part.kind}, wrong, in_store=part.site_id is None),
    }
    return show.page(request, "hardware_part.html", context, status)


def _form(typed: Typed, wrong: Mapping[str, str], *, in_store: bool) -> dict[str, object]:
    kind = KINDS.get(typed.get("kind", ""))
    fields = (*kind.fields, _COUNT) if kind is not None and in_store else kind and kind.fields
    return {
        "kinds": KINDS,
        "form_kind": kind,
        "fields": fields or (),
        "typed": typed,
        "wrong": wrong,
        "in_store": in_store,
    }


def typed_of(part: Part) -> dict[str, str]:
    """Return an entry as its form shows it."""
    noted = {
        key: f"{value:g}" if isinstance(value, int | float) else str(value)
        for key, value in part.detail.items()
    }
    own = ("kind", "name", "serial", "version", "place", "note")
    return {**noted, **{name: getattr(part, name) for name in own}}


def _the_part(given: Services, number: str) -> Part:
    wanted_id = int(number) if number.isdecimal() and int(number) < _HIGHEST else 0
    with given.database.reading() as connection:
        found = hardware.of_id(connection, wanted_id)
    if found is None:
        raise Problem(404, f"There is no entry {number} in the hardware register.")
    return found


def _back(given: Services, part: Part) -> str:
    plan = sites_by_id(given.network()).get(part.site_id) if part.site_id is not None else None
    return f"/sites/{plan.site.key}/hardware" if plan is not None else "/hardware"

"""The hardware register: what is fitted where, what was there before, what lies in the store."""

from collections.abc import Mapping
from typing import Annotated, Any, Final, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.life.parts import KINDS, Entry, Field, part_words, read_entry
from tallymast.domain.model import SitePlan
from tallymast.routes.api.finding import any_site, the_site
from tallymast.routes.life.as_reported import disagreements, reported_firmware, towards
from tallymast.routes.life.hardware_rows import Wanted, file_of, rows_of
from tallymast.routes.life.typed import TheTyped, Typed
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, NetworkView, Services
from tallymast.routes.who import Person, ThePerson, tell
from tallymast.storage import count_events, hardware
from tallymast.storage.hardware import Part

STORE: Final = "the store"
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
    _enter(given, person, entry, None)
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
        _take(given, person, _the_part(given, typed["part"]), plan, typed.get("place", ""))
        return RedirectResponse(f"/sites/{key}/hardware", 303)
    entry, wrong = read_entry(typed, in_store=False)
    if wrong:
        return _site_page(request, given, show, plan, typed, wrong, 422)
    _enter(given, person, entry, plan)
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
    right = _part(entry, part.site_id, part.from_ms, part.actor, part.id, kept)
    with given.database.writing() as connection:
        hardware.correct(connection, right, given.now_ms())
        before, after = {"was": part_words(part)}, {"what": part_words(right)}
        where = _place_of(given.network(), part)
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
        _dispose(given, person, part, typed.get("how", ""))
    elif to == "store":
        to_store(given, person, part, place)
    elif to:
        _take(given, person, part, the_site(given.network(), to), place)
    else:
        raise Problem(422, "Say where it goes: a site, the store, or out of the register.")
    return RedirectResponse(_back(given, part), 303)


# --- doing ------------------------------------------------------------------------------


def _enter(given: Services, person: Person, entry: Entry, plan: SitePlan | None) -> None:
    site_id = plan.site_id if plan is not None else None
    part = _part(entry, site_id, given.now_ms(), person.name)
    with given.database.writing() as connection:
        made = hardware.enter(connection, part)
        name = plan.site.name if plan is not None else STORE
        told = {"what": part_words(made), "serial": made.serial}
        tell(connection, given, person, Act("part.enter", "part", str(made.id), {}, told, name))


def _part(
    entry: Entry,
    site_id: int | None,
    from_ms: int,
    actor: str,
    number: int = 0,
    kept: Mapping[str, Any] | None = None,
) -> Part:
    return Part(
        id=number,
        site_id=site_id,
        kind=entry.kind,
        name=entry.name,
        from_ms=from_ms,
        serial=entry.serial,
        version=entry.version,
        detail={**entry.detail, **(kept or {})},
        place=entry.place,
        note=entry.note,
        actor=actor,
    )


def _take(given: Services, person: Person, part: Part, plan: SitePlan, place: str) -> None:
    with given.database.writing() as connection:
        move(connection, given, person, part, plan, place)


def to_store(given: Services, person: Person, part: Part, place: str) -> None:
    """Bring a part from a site into the store."""
    with given.database.writing() as connection:
        move(connection, given, person, part, None, place)


def move(
    connection: Connection,
    given: Services,
    person: Person,
    part: Part,
    plan: SitePlan | None,
    place: str,
    at_ms: int | None = None,
) -> Part:
    """Move a part to a site, or (None) into the store, with its line in the audit.

    Args:
        connection: of the transaction in which it is done.
        given: the services.
        person: who moves it.
        part: what is moved.
        plan: where to.
        place: there.
        at_ms: when it was done; None: now.

    Raises:
        Problem: it is there already, or somebody moved it meanwhile.

    """
    to_id = plan.site_id if plan is not None else None
    if part.site_id == to_id:
        raise Problem(409, "It is there already.")
    name = plan.site.name if plan is not None else STORE
    moved = hardware.move(
        connection,
        part,
        to_site_id=to_id,
        place=place,
        how=f"moved to {name}",
        at_ms=given.now_ms() if at_ms is None else max(at_ms, part.from_ms),
        actor=person.name,
    )
    if moved is None:
        raise Problem(409, "Somebody moved it meanwhile; nothing was done. Look once more.")
    told = {"what": part_words(part), "origin": _place_of(given.network(), part)}
    tell(connection, given, person, Act("part.move", "part", str(moved.id), {}, told, name))
    return moved


def _dispose(given: Services, person: Person, part: Part, how: str) -> None:
    with given.database.writing() as connection:
        if not hardware.end(connection, part, given.now_ms(), how or "disposed of"):
            raise Problem(409, "This part is not there any more; look at the register anew.")
        told = {"what": part_words(part), "why": how or "disposed of"}
        name = _place_of(given.network(), part)
        tell(connection, given, person, Act("part.dispose", "part", str(part.id), {}, told, name))


# --- showing ----------------------------------------------------------------------------


def sites_by_id(network: NetworkView) -> dict[int, SitePlan]:
    """Return every site, retired ones too, by its number in the database."""
    return {one.site_id: one for one in (*network.sites, *network.retired)}


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
        "counted": counted,
        **_form(typed, wrong, in_store=False),
    }
    return show.page(request, "site_hardware.html", context, status)


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


def _place_of(network: NetworkView, part: Part) -> str:
    plan = sites_by_id(network).get(part.site_id) if part.site_id is not None else None
    return plan.site.name if plan is not None else STORE


def _back(given: Services, part: Part) -> str:
    plan = sites_by_id(given.network()).get(part.site_id) if part.site_id is not None else None
    return f"/sites/{plan.site.key}/hardware" if plan is not None else "/hardware"

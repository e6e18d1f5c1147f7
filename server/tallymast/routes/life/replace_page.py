"""A station is replaced: the same site, new hardware, and totals that go on."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.life.part_words import part_words
from tallymast.domain.life.replacing import Bridge, bridge_words, doubt
from tallymast.domain.model import Act as SiteAct
from tallymast.domain.model import Point, SitePlan
from tallymast.routes.api.finding import the_site
from tallymast.routes.api.jobs import ask_poll
from tallymast.routes.formats import number
from tallymast.routes.life.hardware_acts import move
from tallymast.routes.life.hardware_rows import rows_of
from tallymast.routes.life.last_counts import Count, first_after, last_before, totalizers
from tallymast.routes.life.typed import TheTyped, Typed, moment_text, read_moment, read_number
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import Person, ThePerson, tell
from tallymast.storage import count_events, hardware, notes
from tallymast.storage.count_events import CountEvent
from tallymast.storage.hardware import Part

_MINUTE_MS: Final = 60_000
_SOON_MS: Final = 10 * _MINUTE_MS  # ours: an exchange is not entered before it is made
_AGO_MS: Final = 7 * 86_400_000

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class TotalRow:
    """One totalizer of the form: what the record says, and what it comes to."""

    point: Point
    before: Count | None
    after: Count | None
    bridge: Bridge
    words: str
    doubt: str


@dataclass(frozen=True, slots=True)
class _Wish:
    """The form, read."""

    at_ms: int
    rows: tuple[TotalRow, ...]
    wrong: Mapping[str, str]


@router.get("/sites/{key}/replace")
def replace_page(request: Request, key: str, given: Given, show: Show) -> HTMLResponse:
    """Show the form by which a station is replaced."""
    plan = the_site(given.network(), key)
    return _page(request, given, show, plan, {}, _read(given, plan, {}))


@router.post("/sites/{key}/replace")
def replace_station(
    request: Request, key: str, given: Given, person: ThePerson, show: Show, typed: TheTyped
) -> Response:
    """Ask for a poll, look again, or store the replacement."""
    plan = the_site(given.network(), key)
    step = typed.get("step", "")
    if step == "poll":
        ask_poll(given, key, person)
    wish = _read(given, plan, typed)
    if step in ("poll", "look"):
        asked = step == "poll"
        return _page(request, given, show, plan, typed, wish, asked=asked, told=False)
    wrong = {**wish.wrong, **_missing(typed), **_doubted(typed, wish)}
    if wrong:
        faulty = _Wish(wish.at_ms, wish.rows, wrong)
        return _page(request, given, show, plan, typed, faulty, status=422)
    _store(given, person, plan, typed, wish)
    return RedirectResponse(f"/sites/{key}/hardware", 303)


def _missing(typed: Typed) -> dict[str, str]:
    if typed.get("part") or typed.get("serial") or typed.get("name"):
        return {}
    return {"serial": "Say which station comes in: its serial number, or one of the store."}


def _doubted(typed: Typed, wish: _Wish) -> dict[str, str]:
    """Return the doubt that has to be answered before the counts are bridged so."""
    doubts = [f"{row.point.tag}: {row.doubt}" for row in wish.rows if row.doubt]
    return {"sure": doubts[0]} if doubts and typed.get("sure") != "yes" else {}


# --- reading the form ---------------------------------------------------------------------


def _read(given: Services, plan: SitePlan, typed: Typed) -> _Wish:
    wrong: dict[str, str] = {}
    at_ms = _moment(given, typed, wrong)
    with given.database.reading() as connection:
        rows = tuple(
            _row(connection, given, plan, point, at_ms, typed, wrong) for point in totalizers(plan)
        )
    return _Wish(at_ms, rows, wrong)


def _moment(given: Services, typed: Typed, wrong: dict[str, str]) -> int:
    now_ms = given.now_ms()
    text = typed.get("at", "")
    at_ms = read_moment(text, given) if text else now_ms
    if at_ms is None:
        wrong["at"] = f"Exchanged at: {text} is not a time; write it as 2026-03-08T10:00."
    elif not now_ms - _AGO_MS <= at_ms <= now_ms + _SOON_MS:
        wrong["at"] = "Exchanged at: it is entered within a week after it was done."
    else:
        return min(at_ms, now_ms)
    return now_ms


def _row(
    connection: Connection,
    given: Services,
    plan: SitePlan,
    point: Point,
    at_ms: int,
    typed: Typed,
    wrong: dict[str, str],
) -> TotalRow:
    tag = point.tag
    before = last_before(connection, plan, point, at_ms)
    after = first_after(connection, given, plan, point, at_ms)
    named = {
        part: _typed_count(typed, f"{part}-{tag}", f"{tag}, {word}", wrong)
        for part, word in (("before", "old"), ("after", "new"), ("unknown", "uncounted"))
    }
    if named["before"] is None and before is not None:
        named["before"] = before.count
    if named["after"] is None and after is not None:
        named["after"] = after.count
    bridge = Bridge(tag, named["before"], named["after"], named["unknown"])
    return TotalRow(
        point, before, after, bridge, bridge_words(bridge), doubt(bridge.before, bridge.after)
    )


def _typed_count(typed: Typed, key: str, label: str, wrong: dict[str, str]) -> float | None:
    found = read_number(typed.get(key, ""), label, wrong, key)
    if found is not None and found < 0:
        wrong[key] = f"{label}: a count is never below 0."
    return found


# --- storing ------------------------------------------------------------------------------


def _store(given: Services, person: Person, plan: SitePlan, typed: Typed, wish: _Wish) -> None:
    """Store the replacement whole, or not at all."""
    with given.database.writing() as connection:
        old = hardware.station_of(connection, plan.site_id)
        _refuse_twice(connection, plan, old, typed, wish.at_ms)
        if old is not None:
            _take_away(connection, given, person, old, typed, wish.at_ms)
        new = _bring(connection, given, person, plan, typed, wish.at_ms)
        _count(connection, person, plan, typed, wish)
        said = _note_text(old, new, typed, wish)
        notes.add(
            connection,
            plan.site_id,
            at_ms=wish.at_ms,
            actor=person.name,
            kind="repair",
            text=said,
        )
        before = {"was": _named(old)} if old else {}
        told = {"what": _named(new), "part": new.id}
        act = Act("site.replace-station", "site", plan.site.key, before, told, plan.site.name)
        tell(connection, given, person, act)


def _refuse_twice(
    connection: Connection, plan: SitePlan, old: Part | None, typed: Typed, at_ms: int
) -> None:
    """Refuse what was written down already, as by a button that was pressed twice."""
    serial = typed.get("serial", "")
    is_there = old is not None and bool(serial) and old.serial == serial
    counted = count_events.of_site(connection, plan.site_id)
    if is_there or any(one.at_ms == at_ms for _, one in counted):
        raise Problem(409, "This replacement is written down already; nothing was done twice.")


def _take_away(
    connection: Connection,
    given: Services,
    person: Person,
    old: Part,
    typed: Typed,
    at_ms: int,
) -> None:
    if typed.get("old") == "store":
        move(connection, given, person, old, None, typed.get("old_place", ""), at_ms)
    else:
        how = typed.get("how") or "replaced, taken out of the register"
        hardware.end(connection, old, max(at_ms, old.from_ms), how)


def _bring(
    connection: Connection,
    given: Services,
    person: Person,
    plan: SitePlan,
    typed: Typed,
    at_ms: int,
) -> Part:
    text = typed.get("part", "")
    if text:
        spare = hardware.of_id(connection, int(text)) if text.isdecimal() else None
        if spare is None or spare.kind != "station" or spare.to_ms is not None:
            raise Problem(409, "This station is not in the store any more; look once more.")
        return move(connection, given, person, spare, plan, "", at_ms)
    part = Part(
        id=0,
        site_id=plan.site_id,
        kind="station",
        name=typed.get("name", "")[:80],
        from_ms=at_ms,
        serial=typed.get("serial", "")[:80],
        version=typed.get("version", "")[:80],
        note=typed.get("note", ""),
        actor=person.name,
    )
    return hardware.enter(connection, part)


def _count(
    connection: Connection, person: Person, plan: SitePlan, typed: Typed, wish: _Wish
) -> None:
    numbers = {one.tag: one.point_id for one in plan.layout.points}
    for row in wish.rows:
        point_id = numbers.get(row.point.tag)
        if point_id is None:
            continue
        tag = row.point.tag
        is_typed = bool(typed.get(f"before-{tag}") or typed.get(f"after-{tag}"))
        count_events.add(
            connection,
            CountEvent(
                0,
                point_id,
                wish.at_ms,
                count_events.REPLACED,
                row.bridge.before,
                row.bridge.after,
                row.bridge.unknown,
                "typed" if is_typed else "record",
                person.name,
            ),
        )


def _note_text(old: Part | None, new: Part, typed: Typed, wish: _Wish) -> str:
    was = f"{_named(old)} out, " if old is not None else ""
    told = [f"Station replaced: {was}{_named(new)} in.", *(row.words for row in wish.rows)]
    told += [typed["note"]] if typed.get("note") else []
    return " ".join(told)[:1000]


def _named(part: Part) -> str:
    serial = f" {part.serial}" if part.serial and part.serial not in part.name else ""
    return f"{part_words(part)}{serial}"


# --- showing ------------------------------------------------------------------------------


def _page(
    request: Request,
    given: Services,
    show: Screens,
    plan: SitePlan,
    typed: Typed,
    wish: _Wish,
    *,
    status: int = 200,
    asked: bool = False,
    told: bool = True,
) -> HTMLResponse:
    with given.database.reading() as connection:
        old = hardware.station_of(connection, plan.site_id)
        spares = [one for one in hardware.in_store(connection) if one.kind == "station"]
    context = {
        "key": plan.site.key,
        "site": plan.site,
        "old": rows_of([old], {})[0] if old else None,
        "spares": rows_of(spares, {}),
        "rows": wish.rows,
        "at": moment_text(wish.at_ms, given),
        "number": number,
        "in_maintenance": plan.act is SiteAct.MAINTENANCE,
        "typed": typed,
        "wrong": wish.wrong if told else {},
        "asked": asked,
    }
    return show.page(request, "replace.html", context, status)

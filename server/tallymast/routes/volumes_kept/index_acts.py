"""A meter's own index, read by hand: now, or written down afterwards."""

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse

from tallymast.domain.audit import Act
from tallymast.domain.totals.hand_index import IndexReading
from tallymast.domain.totals.units import converted, unit_name
from tallymast.domain.totals.wording import Clock
from tallymast.domain.totals.written import as_typed
from tallymast.routes.life.typed import TheTyped, Typed, read_moment
from tallymast.routes.screens import Show
from tallymast.routes.services import Given, Services
from tallymast.routes.volumes_kept.kept_page import Key, the_page
from tallymast.routes.volumes_kept.places import called, page_of, read_exact, the_point
from tallymast.routes.who import ThePerson, tell
from tallymast.storage import index_readings
from tallymast.storage.volume_hours import Counted

router = APIRouter(include_in_schema=False)


@router.post("/volumes/{key}/{tag}/kept/index")
def add_index(
    request: Request,
    key: Key,
    tag: Key,
    given: Given,
    person: ThePerson,
    show: Show,
    typed: TheTyped,
) -> Response:
    """Store a reading of the index, or say what is wrong with it."""
    wrong: dict[str, str] = {}
    with given.database.reading() as conn:
        one = the_point(conn, given, key, tag)
        before = index_readings.of_point(conn, one.point_id)
    made = _read(given, one, typed, wrong, person.name)
    if made is not None:
        _compare(before, made, show.clock().words, wrong)
    if made is None or wrong:
        return the_page(request, given, show, one, "index", typed, wrong)
    with given.database.writing() as conn:
        index_readings.add(conn, made)
        read = show.clock().words(made.read_ms)
        words = f"{as_typed(made.index)} {made.unit} at {read}"
        act = Act("index.read", "point", f"{key}/{tag}", {}, {"words": words}, called(one))
        tell(conn, given, person, act)
    return RedirectResponse(f"{page_of(one)}#index", 303)


def _read(
    given: Services, one: Counted, typed: Typed, wrong: dict[str, str], actor: str
) -> IndexReading | None:
    index = read_exact(typed.get("index", ""), "Index", wrong, "index")
    read_ms, unit = read_moment(typed.get("read", ""), given), unit_name(typed.get("unit", ""))
    if index is not None and index < 0:
        wrong["index"] = "Index: a meter shows no number below 0."
    if read_ms is None:
        wrong["read"] = "Read at: choose a day and a time."
    elif read_ms > given.now_ms():
        wrong["read"] = "Read at: that has not come yet; write down when it was read."
    if unit is None:
        wrong["unit"] = "Unit: choose the unit that stands on the meter."
    if wrong or index is None or read_ms is None or unit is None:
        return None
    begins, note = typed.get("begins") == "yes", typed.get("note", "")
    return IndexReading(0, one.point_id, read_ms, index, unit, begins, given.now_ms(), actor, note)


def _compare(
    before: list[IndexReading], made: IndexReading, clock: Clock, wrong: dict[str, str]
) -> None:
    """Refuse an index that stands between others where it cannot."""
    earlier = [one for one in before if one.read_ms <= made.read_ms]
    later = [one for one in before if one.read_ms > made.read_ms]
    if earlier and earlier[-1].read_ms == made.read_ms:
        wrong["read"] = "Read at: a reading of that very time is on record already."
        return
    last = earlier[-1] if earlier else None
    then = later[0] if later else None
    if last is not None and not made.begins and _is_below(made, last):
        wrong["index"] = (
            f"Index: it stood at {as_typed(last.index)} {last.unit} on {clock(last.read_ms)}, "
            "and an index only climbs. Look again, or say below that another index begins here."
        )
    if then is not None and not then.begins and _is_below(then, made):
        wrong["index"] = (
            f"Index: on {clock(then.read_ms)} it stood at {as_typed(then.index)} {then.unit}, "
            "which is less, though later."
        )


def _is_below(one: IndexReading, other: IndexReading) -> bool:
    shown = converted(one.index, one.unit, other.unit)
    return shown is not None and shown < other.index

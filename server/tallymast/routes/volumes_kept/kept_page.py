"""What people keep for one counting point: factors, adjustments, index readings, closed months."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Final

from fastapi import APIRouter, Path, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from tallymast.domain.record.days import Contract, date_of, day_of
from tallymast.domain.record.months import month_before, month_of, name_of
from tallymast.domain.totals import hand_index
from tallymast.domain.totals.adjustments import PULSES, Adjustment, standing
from tallymast.domain.totals.factors import factor_of, in_force
from tallymast.domain.totals.hand_index import OPERATIONAL, IndexReading, Reconciled
from tallymast.domain.totals.units import NAMES
from tallymast.domain.totals.written import as_typed
from tallymast.routes.life.tasks_page import TaskRow, row_of
from tallymast.routes.life.typed import moment_text, today_number
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.volumes.periods import month_words
from tallymast.routes.volumes.words import amount, factor_words
from tallymast.routes.volumes_kept.amounts import added_words, known_percent
from tallymast.routes.volumes_kept.month_rows import MonthRow, due_days, month_rows
from tallymast.routes.volumes_kept.places import called, page_of, the_point
from tallymast.storage import adjustments, index_readings, k_factors, month_closes, tasks
from tallymast.storage.days import load_contract
from tallymast.storage.volume_hours import Counted

MONTHS: Final = 13
COMPARABLE: Final = 0.9  # ours: where less of the time is known a difference says nothing
EVER: Final = (-(2**53), 2**53)
Key = Annotated[str, Path(max_length=200)]

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class AdjustmentRow:
    """An adjustment as the page lists it; ``back``: the one that takes it back."""

    one: Adjustment
    words: str
    back: Adjustment | None


@dataclass(frozen=True, slots=True)
class IndexRow:
    """A reading of an index, and how the station's count agreed since the one before."""

    one: IndexReading
    words: str
    told: Reconciled | None
    percent: str
    sentence: str


@router.get("/volumes/{key}/{tag}/kept")
def kept_page(request: Request, key: Key, tag: Key, given: Given, show: Show) -> HTMLResponse:
    """Show what people keep for a point, with the forms to add to it."""
    with given.database.reading() as conn:
        point = the_point(conn, given, key, tag)
    return the_page(request, given, show, point, "", {}, {})


def the_page(
    request: Request,
    given: Services,
    show: Screens,
    one: Counted,
    which: str,
    typed: Mapping[str, str],
    wrong: Mapping[str, str],
) -> HTMLResponse:
    """Return the page of a point.

    Args:
        request: what was asked.
        given: the services.
        show: what renders.
        one: the point.
        which: the form that was refused: factor, adjustment or index; empty: none.
        typed: what was typed into it.
        wrong: what is wrong with that, by field.

    """
    now_ms = given.now_ms()
    with given.database.reading() as conn:
        contract = load_contract(conn)
        factors = k_factors.factors(conn, one.point_id, one.point)
        context = {
            "adjusted": _adjustments(conn, one),
            "entered": k_factors.kept(conn, one.point_id),
            "indexes": _indexes(conn, one, contract, now_ms),
            "months": _months(conn, one, contract, now_ms),
            "tasks": _tasks(conn, given, one),
            "due": one.plan.site_id in due_days(conn, EVER, contract, now_ms),
        }
    held = in_force(factors, now_ms)
    unit = held.unit if held else "m³"
    context |= {
        "name": called(one),
        "site": one.plan.site,
        "point": one.point,
        "to": page_of(one),
        "first": factor_of(one.point),
        "held": held,
        "factor_words": factor_words,
        "units": paired(NAMES),
        "unit": unit,
        "amount_units": paired((*((unit,) if held else ()), PULSES)),
        "operational": OPERATIONAL,
        "now_text": moment_text(now_ms, given)[:16],
        "day_text": moment_text(_last_begin(contract, now_ms), given)[:16],
        "typed": {name: typed if which == name else {} for name in FORMS},
        "wrong": {name: wrong if which == name else {} for name in FORMS},
        "amount": amount,
    }
    return show.page(request, "volumes_kept.html", context, 422 if wrong else 200)


FORMS: Final = ("factor", "adjustment", "index")


def paired(names: Sequence[str]) -> list[tuple[str, str]]:
    """Return names as the choices of a form, each its own words."""
    return [(name, name) for name in names]


def _last_begin(contract: Contract, now_ms: int) -> int:
    return day_of(now_ms, contract).start_ms


def _adjustments(conn: Connection, one: Counted) -> list[AdjustmentRow]:
    some = adjustments.of_point(conn, one.point_id, *EVER)
    undone = {back.reverses_id: back for back in some if back.reverses_id is not None}
    return [
        AdjustmentRow(made, added_words(made.amount, made.unit), undone.get(made.id))
        for made in reversed(some)
        if made.reverses_id is None
    ]


def standing_adjustments(conn: Connection, one: Counted) -> list[Adjustment]:
    """Return a point's adjustments that nobody took back."""
    return standing(adjustments.of_point(conn, one.point_id, *EVER))


def _indexes(conn: Connection, one: Counted, contract: Contract, now_ms: int) -> list[IndexRow]:
    found = index_readings.compared(conn, one, contract, now_ms)
    return [_index_row(read, told) for read, told in reversed(found)]


def _index_row(read: IndexReading, told: Reconciled | None) -> IndexRow:
    shown = f"{as_typed(read.index)}\u00a0{read.unit}"
    if told is None:
        why = "Another index begins here." if read.begins else "Nothing to hold it against."
        return IndexRow(read, shown, None, "", why)
    if told.known_share < COMPARABLE:
        return IndexRow(read, shown, told, "", _not_comparable(told))
    share = told.share
    percent = "" if share is None else f"{'+' if share > 0 else ''}{100 * share:.2f}\u00a0%"
    return IndexRow(read, shown, told, percent.replace("-", "\u2212"), hand_index.words(told))


def _not_comparable(told: Reconciled) -> str:
    counted = known_percent(told.known_share)
    return f"Not to be compared yet: what the station counted is known for {counted} of the time."


def _months(
    conn: Connection, one: Counted, contract: Contract, now_ms: int
) -> list[tuple[str, MonthRow, int]]:
    """Return the closed ones of the last months: name, how it stands, how many versions."""
    month, found = month_of(date_of(now_ms, contract)), []
    for _ in range(MONTHS):
        month = month_before(month)
        versions = month_closes.versions(conn, one.point_id, name_of(month))
        if versions:
            (row,) = month_rows(conn, [one], month, contract, now_ms)
            found.append((month_words(month), row, len(versions)))
    return found


def _tasks(conn: Connection, given: Services, one: Counted) -> list[TaskRow]:
    """Return what is due of this meter: tasks of its site that name its tag."""
    today = today_number(given)
    some = tasks.standing(conn, one.plan.site_id)
    return [row_of(task, one.plan, today) for task in some if f"({one.point.tag})" in task.what]

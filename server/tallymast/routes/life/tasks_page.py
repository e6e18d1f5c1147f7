"""What is due: at each site and in general, late ones first; done with a note, and then again."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.health.nights import day_number, day_of
from tallymast.domain.life.bringing import DueTask
from tallymast.domain.life.tasks import SOON_DAYS, due_words, every_words, is_due, next_due
from tallymast.domain.model import SitePlan
from tallymast.routes.api.finding import the_site
from tallymast.routes.life.hardware_acts import sites_by_id
from tallymast.routes.life.typed import TheTyped, Typed, day_words, read_day, today_number
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import Person, ThePerson, tell
from tallymast.storage import notes, tasks
from tallymast.storage.tasks import Task

DONE_SHOWN: Final = 20
MOST_MONTHS: Final = 120
GENERAL: Final = "the whole network"
_HIGHEST: Final = 2**62
_KINDS: Final = {"visit": "a visit", "repair": "a repair"}

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class TaskRow:
    """A task as a page shows it; ``site`` None: in general."""

    task: Task
    site: SitePlan | None
    due: str
    day: str
    every: str
    is_due: bool


def row_of(task: Task, site: SitePlan | None, today: int) -> TaskRow:
    """Return a task as a page shows it on a day [days since 1970]."""
    return TaskRow(
        task,
        site,
        due_words(task.due_day, today),
        day_words(day_of(task.due_day)),
        every_words(task.every_months),
        is_due(task.due_day, today),
    )


def due_at(connection: Connection, given: Services, plan: SitePlan) -> list[DueTask]:
    """Return what is due at a site, or soon is, the latest first."""
    today = today_number(given)
    found = tasks.standing(connection, plan.site_id)
    return [
        DueTask(one.what, one.due_day, today) for one in found if one.due_day <= today + SOON_DAYS
    ]


@router.get("/tasks")
def tasks_page(
    request: Request,
    given: Given,
    show: Show,
    site: Annotated[str, Query(max_length=200)] = "",
) -> HTMLResponse:
    """Show what is to do, the latest first; of one site where asked for."""
    return _page(request, given, show, {"site": site}, {}, site)


@router.post("/tasks")
def add_task(
    request: Request, given: Given, person: ThePerson, show: Show, typed: TheTyped
) -> Response:
    """Write down what is due."""
    wrong: dict[str, str] = {}
    what = typed.get("what", "")
    if len(what) < 3:
        wrong["what"] = "What is to do: write a few words."
    due = read_day(typed.get("due", ""), "Due on", wrong, "due")
    every = _months(typed.get("every", ""), wrong)
    if wrong or due is None:
        return _page(request, given, show, typed, wrong, status=422)
    plan = the_site(given.network(), typed["site"]) if typed.get("site") else None
    with given.database.writing() as connection:
        made = tasks.add(
            connection,
            site_id=plan.site_id if plan else None,
            what=what,
            due_day=day_number(due),
            every_months=every,
            at_ms=given.now_ms(),
            actor=person.name,
        )
        told = {"what": what, "when": f"due {day_words(due)}, {every_words(every)}"}
        name = plan.site.name if plan else GENERAL
        tell(connection, given, person, Act("task.add", "task", str(made.id), {}, told, name))
    return RedirectResponse(f"/tasks#task-{made.id}", 303)


@router.post("/tasks/{number}/done")
def task_done(number: str, given: Given, person: ThePerson, typed: TheTyped) -> Response:
    """Mark a task as done: into the log book, and it comes again where it does."""
    task, note = _the_task(given, number), typed.get("note", "")
    plan = sites_by_id(given.network()).get(task.site_id) if task.site_id is not None else None
    kind = typed.get("kind", "visit")
    if kind not in _KINDS:
        raise Problem(422, "Say whether it was a visit or a repair.")
    with given.database.writing() as connection:
        _finish(connection, given, task, person, note)
        if plan is not None:
            text = f"{task.what}: done. {note}".strip()
            at_ms, name = given.now_ms(), person.name
            notes.add(connection, plan.site_id, at_ms=at_ms, actor=name, kind=kind, text=text)
        again = next_due(task.due_day, today_number(given), task.every_months)
        if again is not None:
            tasks.add(
                connection,
                site_id=task.site_id,
                what=task.what,
                due_day=again,
                every_months=task.every_months,
                at_ms=given.now_ms(),
                actor=person.name,
            )
        told = {"what": task.what, "note": note}
        name = plan.site.name if plan else GENERAL
        tell(connection, given, person, Act("task.done", "task", number, {}, told, name))
    return RedirectResponse(_back(typed, plan), 303)


@router.post("/tasks/{number}/withdraw")
def withdraw_task(number: str, given: Given, person: ThePerson, typed: TheTyped) -> Response:
    """Take a task away that is not to be done; it stays on record with the reason."""
    task, why = _the_task(given, number), typed.get("why", "")
    if len(why) < 3:
        raise Problem(422, "Say in a few words why it is not to be done.")
    plan = sites_by_id(given.network()).get(task.site_id) if task.site_id is not None else None
    with given.database.writing() as connection:
        _finish(connection, given, task, person, f"Withdrawn: {why}")
        told = {"what": task.what, "why": why}
        name = plan.site.name if plan else GENERAL
        tell(connection, given, person, Act("task.withdraw", "task", number, {}, told, name))
    return RedirectResponse(_back(typed, plan), 303)


def _finish(connection: Connection, given: Services, task: Task, person: Person, note: str) -> None:
    at_ms = given.now_ms()
    if not tasks.finish(connection, task.id, at_ms=at_ms, actor=person.name, note=note):
        raise Problem(409, "Somebody has done or withdrawn this task already.")


def _back(typed: Typed, plan: SitePlan | None) -> str:
    at_site = plan is not None and typed.get("from") == "site"
    return f"/sites/{plan.site.key}#hardware-title" if plan and at_site else "/tasks"


def _months(text: str, wrong: dict[str, str]) -> int | None:
    if text in ("", "0"):
        return None
    if not text.isdecimal() or not 1 <= int(text) <= MOST_MONTHS:
        wrong["every"] = f"Every: a whole number of months, 1 to {MOST_MONTHS}; empty for once."
        return None
    return int(text)


def _the_task(given: Services, number: str) -> Task:
    wanted = int(number) if number.isdecimal() and int(number) < _HIGHEST else 0
    with given.database.reading() as connection:
        found = tasks.of_id(connection, wanted)
    if found is None:
        raise Problem(404, f"There is no task {number}.")
    return found


def _page(
    request: Request,
    given: Services,
    show: Screens,
    typed: Typed,
    wrong: Mapping[str, str],
    only: str = "",
    status: int = 200,
) -> HTMLResponse:
    network, today = given.network(), today_number(given)
    plan = the_site(network, only) if only else None
    names = sites_by_id(network)
    with given.database.reading() as connection:
        standing = tasks.standing(connection, plan.site_id if plan else None)
        done = tasks.done_lately(connection, DONE_SHOWN)
    rows = [row_of(one, names.get(one.site_id or 0), today) for one in standing]
    context = {
        "late": [row for row in rows if row.is_due],
        "later": [row for row in rows if not row.is_due],
        "done": [(one, names.get(one.site_id or 0)) for one in done],
        "only": plan,
        "sites": sorted((one.site.name, one.site.key) for one in network.sites),
        "typed": typed,
        "wrong": wrong,
        "kinds": _KINDS,
    }
    return show.page(request, "hardware_tasks.html", context, status)

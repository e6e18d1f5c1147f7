"""Forms of one point of a check-out: taking values, judging, adjusting, another tolerance.

A value is taken by a poll that is asked for at the press; an older one is never taken. Where
the poll lasts longer than a page may wait, the row says so and takes it when it comes.
"""

from dataclasses import dataclass
from functools import partial
from typing import Annotated, Final, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Form, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse

from tallymast.domain.commissioning.loop_check import NotApplicable
from tallymast.domain.commissioning.steps import Result
from tallymast.domain.commissioning.taking import (
    NOTE_LONGEST,
    Take,
    adjusted,
    step_of,
    take_of,
    verdict_of,
)
from tallymast.domain.model import Poll, SitePlan
from tallymast.domain.people import plain
from tallymast.routes.api.finding import the_site
from tallymast.routes.api.jobs import ask_poll
from tallymast.routes.commissioning import check_out
from tallymast.routes.commissioning.check_out import CheckOut
from tallymast.routes.commissioning.check_out_page import partial_of, show_check_out
from tallymast.routes.commissioning.check_rows import Typed, Waiting, point_row
from tallymast.routes.commissioning.live_points import (
    live_readings,
    look_for,
    readings_of,
    wait_for,
)
from tallymast.routes.commissioning.step_rows import applied_words, error_words
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.who import Person, ThePerson

WAIT_S: Final = 6.0  # ours: a poll of one site on a calm channel takes one or two
AGAIN_S: Final = 1.5

router = APIRouter(include_in_schema=False)

Tag = Annotated[str, Form(max_length=60)]
Text = Annotated[str, Form(max_length=2000)]


@dataclass(frozen=True, slots=True)
class _Answer:
    """How a form of one point is answered: its row, or the whole page anew."""

    request: Request
    given: Services
    show: Screens
    plan: SitePlan
    tag: str

    def row(
        self, *, wrong: str = "", waiting: Waiting | None = None, typed: Typed | None = None
    ) -> Response:
        """Answer with the point as it stands now."""
        found = check_out.the_check_out(self.given, self.plan)
        if "hx-request" in self.request.headers:
            return self._fragment(found, wrong, waiting, typed)
        if wrong:
            return show_check_out(
                self.request,
                self.given,
                self.show,
                found,
                tag=self.tag,
                wrong=wrong,
                typed=typed,
            )
        more = ""
        if waiting is not None:
            asked = {"tag": self.tag, "job": waiting.job, "take": waiting.take}
            more = "?" + urlencode({**asked, "amount": waiting.amount, "unit": waiting.unit})
        place = f"/sites/{self.plan.site.key}/check-out{more}#row-{self.tag}"
        return RedirectResponse(place, 303)

    def _fragment(
        self, found: CheckOut, wrong: str, waiting: Waiting | None, typed: Typed | None
    ) -> Response:
        reading = live_readings(self.given, self.plan).get(self.tag)
        sheet = found.sheet(self.tag)
        row = point_row(found, sheet, reading, wrong=wrong, waiting=waiting, typed=typed)
        context = {"row": row, "clock": self.show.clock(), "key": self.plan.site.key, "may": True}
        html = self.show.fragment("partials/check_out_row.html", context)
        progress = self.show.fragment("partials/check_out_progress.html", {"found": found})
        return HTMLResponse(html + partial_of("progress", progress))


@router.post("/sites/{key}/check-out/take")
async def take_value(
    request: Request,
    key: str,
    given: Given,
    person: ThePerson,
    show: Show,
    tag: Tag,
    take: Annotated[str, Form(max_length=20)],
    amount: Annotated[str, Form(max_length=40)] = "",
    unit: Annotated[str, Form(max_length=40)] = "",
    job: Annotated[int, Form(ge=0, lt=2**63)] = 0,
) -> Response:
    """Ask for a poll, and keep what it brings as the value for what is applied."""
    plan = the_site(given.network(), key)
    answer = _Answer(request, given, show, plan, tag)
    typed = Typed(amount, unit)
    try:
        wanted = await run_in_threadpool(_wanted, given, plan, tag, (take, amount, unit))
        if not job:
            job = (await run_in_threadpool(ask_poll, given, key, person)).id
            limit_s = WAIT_S
        else:
            limit_s = min(AGAIN_S, WAIT_S)
        asked = await wait_for(given, partial(look_for, given, plan, job), limit_s)
        if asked.poll is not None:
            await run_in_threadpool(_keep_taken, given, person, plan, (tag, wanted, asked.poll))
    except NotApplicable as wrong:
        return await run_in_threadpool(partial(answer.row, wrong=str(wrong), typed=typed))
    waiting = None if asked.is_over else Waiting(job, take, amount, unit)
    wrong_words = f"Nothing was taken: {asked.failed}" if asked.failed else ""
    kept = typed if asked.failed else None
    return await run_in_threadpool(
        partial(answer.row, wrong=wrong_words, waiting=waiting, typed=kept)
    )


def _wanted(given: Services, plan: SitePlan, tag: str, asked: tuple[str, str, str]) -> Take:
    found = check_out.the_check_out(given, plan)
    return take_of(found.sheet(tag).point, *asked)


def _keep_taken(
    given: Services, person: Person, plan: SitePlan, taken: tuple[str, Take, Poll]
) -> None:
    tag, wanted, poll = taken
    found = check_out.the_check_out(given, plan)
    sheet = found.sheet(tag)
    step = step_of(
        sheet,
        wanted,
        readings_of(given, plan, poll)[tag],
        tolerance_pct=found.tolerance(sheet.point),
        at_ms=given.now_ms(),
        actor=person.name,
    )
    parts = (applied_words(sheet.point, step), error_words(step.error_pct))
    words = ", ".join((tag, sheet.now.phase.words, *(part for part in parts if part)))
    check_out.keep(given, person, found, [step], ("proof.take", f"{words}."))


@router.post("/sites/{key}/check-out/result")
def judge(
    request: Request,
    key: str,
    given: Given,
    person: ThePerson,
    show: Show,
    tag: Tag,
    result: Annotated[Literal["pass", "fail", "not-tested"], Form()],
    note: Text = "",
) -> Response:
    """Keep what a person says of a point."""
    plan = the_site(given.network(), key)
    answer = _Answer(request, given, show, plan, tag)
    found = check_out.the_check_out(given, plan)
    said = Result(result)
    try:
        steps = verdict_of(
            found.sheet(tag),
            said,
            plain(note, NOTE_LONGEST),
            reading=live_readings(given, plan).get(tag),
            at_ms=given.now_ms(),
            actor=person.name,
        )
    except NotApplicable as wrong:
        return answer.row(wrong=str(wrong), typed=Typed(note=note))
    words = f"{tag}, {found.sheet(tag).now.phase.words}, {said.words}."
    check_out.keep(given, person, found, steps, ("proof.verdict", words))
    return answer.row()


@router.post("/sites/{key}/check-out/adjust")
def adjust(
    request: Request,
    key: str,
    given: Given,
    person: ThePerson,
    show: Show,
    tag: Tag,
    note: Text = "",
) -> Response:
    """Note that something was adjusted: what is taken of the point from now on is as left."""
    plan = the_site(given.network(), key)
    answer = _Answer(request, given, show, plan, tag)
    found = check_out.the_check_out(given, plan)
    cleaned = plain(note, NOTE_LONGEST)
    try:
        step = adjusted(found.sheet(tag), cleaned, at_ms=given.now_ms(), actor=person.name)
    except NotApplicable as wrong:
        return answer.row(wrong=str(wrong), typed=Typed(note=note))
    check_out.keep(given, person, found, [step], ("proof.adjust", f"{tag}: {cleaned}."))
    return answer.row()


@router.post("/sites/{key}/check-out/tolerance")
def set_tolerance(
    request: Request,
    key: str,
    given: Given,
    person: ThePerson,
    show: Show,
    tag: Tag,
    tolerance: Annotated[float, Form(ge=0, le=100, allow_inf_nan=False)],
) -> Response:
    """Let another tolerance hold for what is taken of a point from now on."""
    plan = the_site(given.network(), key)
    found = check_out.the_check_out(given, plan)
    found.sheet(tag)
    told = {**found.proof.detail.get("tolerance", {}), tag: tolerance}
    check_out.keep_detail(given, person, found, "tolerance", told)
    return _Answer(request, given, show, plan, tag).row()

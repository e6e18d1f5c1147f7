"""Work asked of the poller: stored first, then accepted; what became of it is asked for later."""

from fastapi import APIRouter
from pydantic import BaseModel, Field

from tallymast.domain.audit import Act
from tallymast.domain.model import Job
from tallymast.routes.api.finding import the_site
from tallymast.routes.formats import iso
from tallymast.routes.problems import Problem
from tallymast.routes.services import Given, Services
from tallymast.routes.who import Person, ThePerson, tell
from tallymast.storage import jobs

router = APIRouter(prefix="/api/v1", tags=["jobs"])


class Accepted(BaseModel):
    """The number under which to ask what became of it."""

    job: int


class JobNow(BaseModel):
    """Where a piece of work stands."""

    job: int
    kind: str
    state: str = Field(description="waiting, running, done or failed")
    progress: float
    result: str = Field(description="a sentence; empty while it goes on")
    asked_at: str
    done_at: str | None


@router.post("/sites/{key}/poll", status_code=202)
def poll_now(key: str, given: Given, person: ThePerson) -> Accepted:
    """Ask for a poll of the site as soon as the channel allows."""
    return Accepted(job=ask_poll(given, key, person).id)


@router.post("/sites/{key}/desk-test", status_code=202)
def desk_test(key: str, given: Given, person: ThePerson) -> Accepted:
    """Ask for twenty polls of the site in a row, to see how its contact is now."""
    return Accepted(job=ask_desk_test(given, key, person).id)


def ask_poll(given: Services, key: str, person: Person) -> Job:
    """Store the wish for a poll and return it.

    Raises:
        Problem: no such site, or nobody polls it.

    """
    return _ask(given, key, "poll", person)


def ask_desk_test(given: Services, key: str, person: Person) -> Job:
    """Store the wish for a desk test and return it.

    Raises:
        Problem: no such site, or nobody polls it.

    """
    return _ask(given, key, "desk-test", person)


def _ask(given: Services, key: str, kind: str, person: Person) -> Job:
    plan = the_site(given.network(), key)
    if not plan.is_polled:
        why = "polling was ended on purpose" if plan.site.in_service else "it is out of service"
        raise Problem(409, f"{plan.site.name} is not polled: {why}.")
    with given.database.writing() as connection:
        told = Act(f"site.{kind}", "site", plan.site.key, name=plan.site.name)
        tell(connection, given, person, told)
        asked = jobs.ask(
            connection, kind, site_id=plan.site_id, actor=person.name, at_ms=given.now_ms()
        )
    given.live.publish_asked(asked)  # no page may show again that nothing was asked for
    return asked


@router.get("/jobs/{number}")
def one_job(number: int, given: Given) -> JobNow:
    """Return where a job stands."""
    with given.database.reading() as connection:
        found = jobs.job(connection, number) if 0 < number < 2**63 else None
    if found is None:
        raise Problem(404, f"There was never a job {number}.")
    return JobNow(
        job=found.id,
        kind=found.kind,
        state=found.state.value,
        progress=found.progress,
        result=found.result,
        asked_at=iso(found.asked_ms) or "",
        done_at=iso(found.done_ms),
    )

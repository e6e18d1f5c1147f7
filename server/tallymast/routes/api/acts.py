"""What people say of a site for a while: maintenance (polled, apart), or not polled at all."""

from fastapi import APIRouter, Response
from pydantic import AwareDatetime, BaseModel, Field

from tallymast.domain.audit import Act as Told
from tallymast.domain.model import Act, SitePlan
from tallymast.domain.people import plain
from tallymast.domain.watchdogs import falling
from tallymast.routes.api.finding import the_site
from tallymast.routes.api.spans import milliseconds
from tallymast.routes.formats import iso, lasting
from tallymast.routes.problems import Problem
from tallymast.routes.services import Given, Services
from tallymast.routes.who import Person, ThePerson, is_lately, tell
from tallymast.storage import episodes
from tallymast.storage.episodes import Episode

router = APIRouter(prefix="/api/v1/sites/{key}", tags=["sites"])

LONGEST_MS = 400 * 86_400_000


class Wanted(BaseModel):
    """Why, and until when."""

    reason: str = Field(min_length=3, max_length=300)
    until: AwareDatetime


class ActNow(BaseModel):
    """An act that holds."""

    kind: str
    reason: str
    since: str
    until: str | None
    actor: str
    outputs_that_drop: list[str]


def drops(plan: SitePlan) -> list[str]:
    """Return in words what falls back at a station that is asked no more."""
    return [
        f"{one.point.name} ({one.point.tag}) goes {one.to} after {lasting(1000 * one.after_s)}"
        for one in falling(plan)
    ]


def open_act(given: Services, plan: SitePlan) -> Episode | None:
    """Return the act that holds for a site, None if none does."""
    with given.database.reading() as connection:
        found = [one for one in episodes.open_acts(connection) if one.site_id == plan.site_id]
    return found[-1] if found else None


def begin_act(
    given: Services, plan: SitePlan, kind: Act, reason: str, until_ms: int, person: Person
) -> None:
    """Begin an act; one that held before ends with it.

    Raises:
        Problem: no reason, or an end that is past or too far away.

    """
    now_ms = given.now_ms()
    reason = plain(reason, 300)
    if len(reason) < 3:
        raise Problem(422, "Say in a few words why; whoever comes next reads it.")
    if not now_ms < until_ms <= now_ms + LONGEST_MS:
        raise Problem(422, "The end has to lie in the next 400 days.")
    with given.database.writing() as connection:
        for other in (Act.MAINTENANCE, Act.NOT_POLLED):
            episodes.close_episode(connection, other.value, to_ms=now_ms, site_id=plan.site_id)
        episodes.open_episode(
            connection,
            kind.value,
            site_id=plan.site_id,
            from_ms=now_ms,
            planned_end_ms=until_ms,
            reason=reason,
            actor=person.name,
        )
        after = {"reason": reason, "until": iso(until_ms)}
        told = Told(f"site.{kind.value}", "site", plan.site.key, {}, after, plan.site.name)
        tell(connection, given, person, told)


def end_act(given: Services, plan: SitePlan, kind: Act, person: Person) -> bool:
    """End an act; return whether it held."""
    with given.database.writing() as connection:
        ended = episodes.close_episode(
            connection, kind.value, to_ms=given.now_ms(), site_id=plan.site_id
        )
        if ended:
            told = Told(f"site.end-{kind.value}", "site", plan.site.key, name=plan.site.name)
            tell(connection, given, person, told)
    return ended > 0


@router.post("/maintenance", status_code=201)
def begin_maintenance(key: str, wanted: Wanted, given: Given, person: ThePerson) -> ActNow:
    """Say that somebody works there: polled as before, alarms held, statistics apart."""
    return _begin(given, key, Act.MAINTENANCE, wanted, person)


@router.post("/not-polled", status_code=201)
def begin_not_polled(key: str, wanted: Wanted, given: Given, person: ThePerson) -> ActNow:
    """End polling on purpose; the answer names the outputs that will drop."""
    return _begin(given, key, Act.NOT_POLLED, wanted, person)


@router.delete("/maintenance", status_code=204)
def end_maintenance(key: str, given: Given, person: ThePerson) -> Response:
    """Say that nobody works there any more."""
    return _end(given, key, Act.MAINTENANCE, person)


@router.delete("/not-polled", status_code=204)
def end_not_polled(key: str, given: Given, person: ThePerson) -> Response:
    """Poll the site again."""
    return _end(given, key, Act.NOT_POLLED, person)


def _begin(given: Services, key: str, kind: Act, wanted: Wanted, person: Person) -> ActNow:
    plan = the_site(given.network(), key)
    if kind is Act.NOT_POLLED and drops(plan):
        is_lately(given, person)
    begin_act(given, plan, kind, wanted.reason, milliseconds(wanted.until), person)
    found = open_act(given, plan)
    assert found is not None
    return ActNow(
        kind=found.kind,
        reason=found.reason,
        since=iso(found.from_ms) or "",
        until=iso(found.planned_end_ms),
        actor=found.actor,
        outputs_that_drop=drops(plan) if kind is Act.NOT_POLLED else [],
    )


def _end(given: Services, key: str, kind: Act, person: Person) -> Response:
    plan = the_site(given.network(), key)
    if not end_act(given, plan, kind, person):
        raise Problem(409, f"{plan.site.name}: there is no {kind.value} to end.")
    return Response(status_code=204)

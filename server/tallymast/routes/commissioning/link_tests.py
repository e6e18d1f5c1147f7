"""Reads link tests: their jobs, the polls they made, the signal meanwhile; and what they say."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.commissioning.link_check import (
    USUAL,
    Expected,
    LinkCheck,
    check_link,
)
from tallymast.domain.model import Job, PointKind, Poll, PollFlag, SitePlan
from tallymast.routes.commissioning.scans import is_over
from tallymast.routes.problems import Problem
from tallymast.routes.services import Services
from tallymast.routes.who import Person, tell
from tallymast.storage import jobs
from tallymast.storage.polls import polls_between
from tallymast.storage.readings import Goodness, raw_series

SHOWN = 4  # Ours: the newest test and three before it
LOOKED_BACK = 200
_MOST_POLLS = 2000
_AFTER_MS = 1000  # the last poll may be stamped a little after the job's end


@dataclass(frozen=True, slots=True)
class LinkTest:
    """One link test: the job, its polls in the order of time, and what they say."""

    job: Job
    polls: tuple[Poll, ...]
    check: LinkCheck

    @property
    def wanted(self) -> int:
        """How many polls were asked for."""
        return wanted_of(self.job)


def ask_link_test(given: Services, person: Person, plan: SitePlan, polls: int) -> Job:
    """Store the wish for a link test of so many polls and return it.

    Raises:
        Problem: nobody polls the site, or a test goes on already.

    """
    name = plan.site.name
    if not plan.is_polled:
        raise Problem(409, f"{name} is not polled; put it in service, then test its link.")
    with given.database.writing() as connection:
        last = jobs.newest_of_site(connection, "link-test", plan.site_id)
        if last is not None and not is_over(last):
            raise Problem(409, f"A link test of {name} goes on; wait for its end, or stop it.")
        told = Act("site.link-test", "site", plan.site.key, {}, {"n": polls}, name)
        tell(connection, given, person, told)
        return jobs.ask(
            connection,
            "link-test",
            site_id=plan.site_id,
            actor=person.name,
            at_ms=given.now_ms(),
            params={"polls": polls},
        )


def wanted_of(job: Job) -> int:
    """Return how many polls a link test was to make."""
    found = job.params.get("polls")
    return found if isinstance(found, int) and found > 0 else USUAL


def link_tests(connection: Connection, given: Services, plan: SitePlan) -> tuple[LinkTest, ...]:
    """Return the latest link tests of a site, the newest first."""
    found = jobs.newest(connection, "link-test", LOOKED_BACK)
    mine = [job for job in found if job.site_id == plan.site_id][:SHOWN]
    return tuple(_read(connection, given, plan, job) for job in mine)


def _read(connection: Connection, given: Services, plan: SitePlan, job: Job) -> LinkTest:
    end_ms = (given.now_ms() if job.done_ms is None else job.done_ms) + _AFTER_MS
    polls = _polls(connection, given, plan.site_id, (job.asked_ms, end_ms), wanted_of(job))
    levels, unit = _signal(connection, plan, polls)
    expected = Expected(plan.site.reply_timeout_s, plan.site.miss_limit)
    return LinkTest(job, polls, check_link(polls, levels, unit, expected))


def _polls(
    connection: Connection, given: Services, site_id: int, span: tuple[int, int], most: int
) -> tuple[Poll, ...]:
    """Return the demanded polls of a span: those recorded, and those that are not yet."""
    recorded = polls_between(connection, site_id, *span, _MOST_POLLS).items
    fresh = [poll for poll in given.live.polls(site_id) if span[0] <= poll.at_ms < span[1]]
    by_time = {poll.at_ms: poll for poll in (*fresh, *recorded) if PollFlag.DEMAND in poll.flags}
    return tuple(by_time[at_ms] for at_ms in sorted(by_time))[:most]


def _signal(
    connection: Connection, plan: SitePlan, polls: Sequence[Poll]
) -> tuple[list[float], str]:
    """Return the signal at each of some polls, and its unit; nothing where none is reported."""
    point = plan.site.point_of(PointKind.SIGNAL)
    if point is None or not polls:
        return [], ""
    times = {poll.at_ms for poll in polls}
    series = raw_series(connection, plan.site_id, point.tag, min(times), max(times) + 1)
    known = zip(series.at_ms.tolist(), series.value.tolist(), series.quality.tolist(), strict=True)
    levels = [value for at_ms, value, good in known if at_ms in times and good != Goodness.NONE]
    return levels, point.unit

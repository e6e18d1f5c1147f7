"""What a check-out shows of a point as it is read now, and what the poll that was asked brought."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from time import monotonic
from typing import Final

from fastapi.concurrency import run_in_threadpool

from tallymast.domain import contact
from tallymast.domain.commissioning.loop_check import current_words
from tallymast.domain.commissioning.seen import states_seen
from tallymast.domain.model import (
    Job,
    JobState,
    Point,
    Poll,
    PollFlag,
    Quality,
    Reading,
    SitePlan,
    SiteStatus,
)
from tallymast.routes.formats import value_words
from tallymast.routes.services import Services
from tallymast.routes.site_rows import place_of
from tallymast.routes.standings import site_readings
from tallymast.storage import jobs
from tallymast.storage.polls import polls_between

LOOK_BACK_MS: Final = 12 * 3_600_000  # ours: so far back states of contacts are looked for
MOST_POLLS: Final = 5000
LOST_MS: Final = 15_000  # a poll that is told of and not on record by then is not coming


@dataclass(frozen=True, slots=True)
class Now:
    """A point as it is read now."""

    tag: str
    words: str
    tone: str
    remark: str
    reason: str
    at_ms: int | None
    loop: str
    place: str


def now_of(point: Point, reading: Reading | None) -> Now:
    """Return how a point is shown: value, unit, quality, and its loop's current."""
    quality = reading.quality if reading is not None else Quality.NONE
    good = quality is Quality.GOOD
    return Now(
        point.tag,
        value_words(reading, point),
        "calm" if good else "off" if quality is Quality.STALE else "watch",
        "" if good else "no value" if quality is Quality.NONE else str(quality),
        reading.reason if reading is not None else "not read yet",
        reading.at_ms if reading is not None else None,
        _loop(point, reading),
        place_of(point),
    )


def _loop(point: Point, reading: Reading | None) -> str:
    if point.loop is None or reading is None or not isinstance(reading.raw, int | float):
        return ""
    milliamps = float(reading.raw) / 1000.0
    return f"{milliamps:.2f}\u00a0mA, {current_words(milliamps)}"


def live_readings(given: Services, plan: SitePlan) -> dict[str, Reading]:
    """Return a site's newest readings by tag."""
    gateway = given.network().gateway_of(plan.site_id)
    state = given.live.sites().get(plan.site_id)
    return {one.tag: one for one in site_readings(gateway, plan, state, given.now_ms())}


def readings_of(given: Services, plan: SitePlan, poll: Poll) -> dict[str, Reading]:
    """Return what one poll brought, by tag; a point it did not bring has no value."""
    gateway = given.network().gateway_of(plan.site_id)
    before = contact.first_state(plan.layout, SiteStatus.NEVER_ANSWERED, poll.at_ms)
    patience = contact.patience(plan.site, gateway.gateway)
    suspects = 2 ** len(plan.layout.blocks) - 1 if PollFlag.SUSPECT in poll.flags else 0
    state = contact.next_state(before, poll, plan.layout, patience, suspects)
    found = site_readings(gateway, plan, state, poll.at_ms)
    return {one.tag: one for one in found}


def seen_since(
    given: Services, plan: SitePlan, since_ms: Mapping[str, int]
) -> dict[str, dict[bool, int]]:
    """Return in which states contacts were read, each since an instant; 12 h back at most."""
    if not since_ms:
        return {}
    now_ms = given.now_ms()
    from_ms = max(min(since_ms.values()), now_ms - LOOK_BACK_MS)
    polls = {poll.at_ms: poll for poll in given.live.polls(plan.site_id)}
    with given.database.reading() as connection:
        page = polls_between(
            connection, plan.site_id, from_ms, now_ms + 1, MOST_POLLS, newest_first=True
        )
    polls |= {poll.at_ms: poll for poll in page.items}
    return states_seen(polls.values(), plan.layout, since_ms)


# --- the poll that was asked for -----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Asked:
    """What became of a poll that was asked for: it came, it failed with a reason, or neither."""

    poll: Poll | None = None
    failed: str = ""

    @property
    def is_over(self) -> bool:
        """Whether nothing more is to be waited for."""
        return self.poll is not None or bool(self.failed)


def look_for(given: Services, plan: SitePlan, job_id: int) -> Asked:
    """Return what became of a poll of this site that was asked for.

    Only a poll that was asked for by a person and came after the press counts: one that was on
    its way by then may be older.
    """
    with given.database.reading() as connection:
        job = jobs.job(connection, job_id) if 0 < job_id < 2**63 else None
    if job is None or job.site_id != plan.site_id or job.kind != "poll":
        return Asked(failed="This poll was not asked for here; press Take again.")
    if job.state is JobState.FAILED:
        return Asked(failed=job.result or "The poll could not be made.")
    if job.state is not JobState.DONE or job.done_ms is None:
        return Asked()
    poll = _poll_of(given, job, job.done_ms)
    if poll is None:
        late = given.now_ms() - job.done_ms > LOST_MS
        return Asked(failed="The answer is not on record; press Take again." if late else "")
    return _judged(plan, job, poll)


def _poll_of(given: Services, job: Job, done_ms: int) -> Poll | None:
    site_id, until_ms = job.site_id or 0, done_ms + 1
    with given.database.reading() as connection:
        page = polls_between(connection, site_id, job.asked_ms, until_ms, 100)
    known = {poll.at_ms: poll for poll in (*page.items, *given.live.polls(site_id))}
    mine = [
        poll
        for at_ms, poll in known.items()
        if job.asked_ms < at_ms < until_ms and PollFlag.DEMAND in poll.flags
    ]
    return max(mine, key=lambda poll: poll.at_ms, default=None)


def _judged(plan: SitePlan, job: Job, poll: Poll) -> Asked:
    if not poll.outcome.is_answered:
        return Asked(failed=job.result or f"{plan.site.name}: no answer.")
    if poll.layout_id != plan.layout.id:
        return Asked(failed="The network was changed meanwhile; press Take again.")
    return Asked(poll)


async def wait_for(given: Services, look: Callable[[], Asked], limit_s: float) -> Asked:
    """Look until something came of it, so many seconds at most."""
    ends = monotonic() + limit_s
    async with given.live.follow() as follower:
        while True:
            found = await run_in_threadpool(look)
            left_s = ends - monotonic()
            if found.is_over or left_s <= 0:
                return found
            await follower.wait(min(left_s, 0.5))

"""The newest state, published from any thread, and followers that merge."""

import asyncio
from dataclasses import replace
from threading import Thread

from tallymast.domain.model import (
    GatewayState,
    GatewayStatus,
    Job,
    JobState,
    Outcome,
    Poll,
    PollDone,
    PollFlag,
    SiteState,
    SiteStatus,
)
from tallymast.live import JOBS_KEPT, POLLS_KEPT, Live


def state(site_id: int, missed: int = 0) -> SiteState:
    return SiteState(site_id, SiteStatus.IN_SERVICE, 0, 1, missed_in_row=missed)


def done(site_id: int, at_ms: int) -> PollDone:
    poll = Poll(site_id, at_ms, Outcome.FIRST_TRY, PollFlag.NONE, 1, 80.0, 1, 1, 0, b"")
    return PollDone(poll, state(site_id))


def job(number: int) -> Job:
    return Job(number, "poll", 1, 1, "local", 0)


def test_keeps_only_the_newest_state_of_a_site() -> None:
    live = Live()
    live.publish_site(state(7, missed=1))
    live.publish_site(state(7, missed=2))
    assert live.sites() == {7: state(7, missed=2)}


def test_tells_only_what_changed_after_a_version() -> None:
    live = Live()
    live.publish_sites([state(1), state(2)])
    before = live.version
    live.publish_poll(done(2, 1000))
    live.publish_gateway(GatewayState(5, GatewayStatus.CONNECTED, 0))
    changes = live.changes_since(before)
    assert (changes.sites, changes.gateways, changes.jobs) == ({2}, {5}, frozenset())
    assert not live.changes_since(changes.version)


def test_a_site_changed_twice_is_told_once() -> None:
    live = Live()
    live.publish_site(state(1))
    live.publish_site(state(1, missed=3))
    assert live.changes_since(0).sites == {1}


def test_keeps_the_latest_polls_oldest_first_and_no_more_than_it_says() -> None:
    live = Live()
    for at_ms in range(POLLS_KEPT + 3):
        live.publish_poll(done(1, at_ms))
    assert [poll.at_ms for poll in live.polls(1)] == list(range(3, POLLS_KEPT + 3))
    assert live.polls(2) == ()


def test_keeps_only_the_newest_jobs() -> None:
    live = Live()
    for number in range(1, JOBS_KEPT + 2):
        live.publish_job(job(number))
    assert min(live.jobs()) == 2
    assert len(live.jobs()) == JOBS_KEPT


def test_what_is_asked_for_is_known_at_once_but_never_over_what_became_of_it() -> None:
    live = Live()
    live.publish_asked(job(1))
    assert live.jobs() == {1: job(1)}
    running = replace(job(1), state=JobState.RUNNING)
    live.publish_job(running)
    live.publish_asked(job(1))
    assert live.jobs() == {1: running}


def test_forgets_a_retired_site() -> None:
    live = Live()
    live.publish_poll(done(1, 0))
    live.forget(sites=[1])
    assert live.sites() == {}
    assert live.polls(1) == ()


def test_many_changes_from_other_threads_wake_a_follower_once() -> None:
    async def follow() -> tuple[bool, int, bool]:
        live = Live()
        async with live.follow(merge_s=0) as follower:
            threads = [
                Thread(target=lambda n=n: [live.publish_site(state(n)) for _ in range(50)])
                for n in range(4)
            ]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()  # all 200 are published before the loop may run again
            woken = await follower.wait(timeout_s=10)
            return woken, len(live.changes_since(0).sites), await follower.wait(timeout_s=0)

    assert asyncio.run(follow()) == (True, 4, False)


def test_a_change_during_the_merge_pause_belongs_to_the_same_waking() -> None:
    async def follow() -> tuple[frozenset[int], bool]:
        live = Live()
        async with live.follow(merge_s=0) as follower:
            live.publish_site(state(1))
            await follower.wait(timeout_s=10)
            live.publish_site(state(2))
            seen = live.changes_since(0).sites
            return seen, await follower.wait(timeout_s=10)

    # Published after the waking: it must wake again, even though its reader may have seen it.
    assert asyncio.run(follow()) == ({1, 2}, True)


def test_publishing_costs_nothing_after_the_followers_loop_has_closed() -> None:
    live = Live()

    async def leave_open() -> None:
        await live.follow(merge_s=0).__aenter__()

    asyncio.run(leave_open())
    live.publish_site(state(1))
    assert live.sites() == {1: state(1)}


def test_a_follower_that_leaves_is_not_kept() -> None:
    async def follow() -> tuple[int, int]:
        live = Live()
        async with live.follow() as _:
            inside = live.followers
        return inside, live.followers

    assert asyncio.run(follow()) == (1, 0)

"""A computer's clock is set while sites are polled: no poll is lost, and none is stamped twice."""

import asyncio
from itertools import pairwise
from random import Random

from tests.polling.conftest import HandedWork, KeptOutlet, plan_of, site
from tests.polling.test_poller import all_answer

from tallymast.benches.virtual import MemoryPort, VirtualClock, run_virtual
from tallymast.domain.model import SiteState
from tallymast.polling.poller import Poller

HOUR_MS = 3_600_000
STEP_S = 300.0


def polled(
    outlet: KeptOutlet, steps_ms: list[int], states: dict[int, SiteState] | None = None
) -> None:
    """Poll two sites every ten seconds; the clock is set by each step, five minutes apart."""

    async def main() -> None:
        clock, port = VirtualClock(), MemoryPort(all_answer)
        plan = plan_of(site(1, 10.0), site(2, 10.0))
        poller = Poller(plan, states or {}, outlet, HandedWork(), clock, lambda _: port, Random(1))
        running = asyncio.ensure_future(poller.run())
        for step_ms in steps_ms:
            clock.offset_ms += step_ms
            await asyncio.sleep(STEP_S)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    run_virtual(main())


def stamps(outlet: KeptOutlet, site_id: int) -> list[int]:
    return [one.poll.at_ms for one in outlet.of(site_id)]


def steps_back(times: list[int]) -> list[tuple[int, int]]:
    """Return the time after and the time before each step back."""
    return [(later, earlier) for earlier, later in pairwise(times) if later <= earlier]


def test_a_clock_put_right_is_followed_and_told_once_a_site(outlet: KeptOutlet) -> None:
    polled(outlet, [3 * HOUR_MS, -3 * HOUR_MS])
    for site_id in (1, 2):
        times = stamps(outlet, site_id)
        assert len(times) >= 58  # every ten seconds of ten minutes
        ((new_ms, last_ms),) = steps_back(times)
        assert ("clock", new_ms, last_ms) in outlet.episodes
        assert 0 < 3 * HOUR_MS - (last_ms - new_ms) <= 20_000
    assert len(outlet.episodes) == 2


def test_two_minutes_back_are_ridden_over(outlet: KeptOutlet) -> None:
    polled(outlet, [0, -120_000])
    times = stamps(outlet, 1)
    assert len(times) >= 58
    assert steps_back(times) == []
    # Until the time before the step is reached again, a millisecond a poll.
    assert [later - earlier for earlier, later in pairwise(times)].count(1) >= 10
    assert outlet.episodes == []


def test_a_clock_put_right_while_the_program_was_not_running(outlet: KeptOutlet) -> None:
    polled(outlet, [3 * HOUR_MS])
    before = {one.poll.site_id: one.state for one in outlet.done}
    again = KeptOutlet()
    polled(again, [0], before)
    for site_id, state in before.items():
        assert ("clock", stamps(again, site_id)[0], state.last_poll_ms) in again.episodes
        assert steps_back(stamps(again, site_id)) == []
    assert len(again.episodes) == 2

"""What ten dead sites of sixty-four cost the living, by our pacing and by a naive loop.

In virtual time: an exchange takes 80 ms, a timeout 1 s; every site is asked for as often as the
channel can just hold. The age of a reading is the time since its site last answered.
"""

import asyncio
from collections.abc import Iterable, Mapping
from itertools import pairwise
from random import Random

from tallymast.benches.hostile import crc
from tallymast.benches.paced import Nothing, gateway, plan
from tallymast.benches.virtual import MemoryPort, Reply, VirtualClock, run_virtual
from tallymast.domain.errors import ConfigError
from tallymast.domain.model import PollDone
from tallymast.polling.poller import Poller

SITES, DEAD = 64, 10
EXCHANGE_S, TIMEOUT_S, RETRIES = 0.08, 1.0, 3
WARM_UP_S, MEASURED_S = 900.0, 1800.0  # Ours: probes have reached their ceiling by then


class _Ages(Nothing):
    """Notes when each site answered."""

    def __init__(self) -> None:
        self.answers: dict[int, list[float]] = {}

    def poll_done(self, done: PollDone) -> None:  # type: ignore[override]
        """Note an answered poll."""
        if done.poll.outcome.is_answered:
            now = asyncio.get_running_loop().time()
            self.answers.setdefault(done.poll.site_id, []).append(now)


def run(scale: int = 1) -> dict[str, object]:
    """Poll with and without dead sites.

    Args:
        scale: multiplies the sites, living and dead.

    Returns:
        ``age_ratio``: the living sites' mean age with dead sites against without;
        ``naive_age_ratio``: the same for a loop that asks one site after the other and
        repeats at once; ``cycle_s`` and ``naive_cycle_s``: mean time between two answers.

    """
    sites, dead = SITES * scale, DEAD * scale
    if not 1 <= sites <= 247:
        raise ConfigError("bench dead takes a --scale of 1 to 3.")
    gone = frozenset(range(1, sites + 1, sites // dead)[:dead])
    whole = _ours(sites, frozenset())
    hurt = _ours(sites, gone)
    naive_whole, naive_hurt = _naive(sites, frozenset()), _naive(sites, gone)
    living = [unit for unit in range(1, sites + 1) if unit not in gone]
    return {
        "age_ratio": round(_age(hurt, living) / _age(whole, living), 3),
        "naive_age_ratio": round(_age(naive_hurt, living) / _age(naive_whole, living), 3),
        "cycle_s": round(2 * _age(hurt, living), 2),
        "naive_cycle_s": round(2 * _age(naive_hurt, living), 2),
        "sites": sites,
        "dead": len(gone),
    }


def _ours(sites: int, gone: frozenset[int]) -> Mapping[int, list[float]]:
    outlet = _Ages()

    def script(frame: bytes, _now: float) -> Iterable[Reply]:
        if frame[0] in gone:
            return []
        count = int.from_bytes(frame[4:6], "big")
        body = frame[:2] + bytes([2 * count]) + bytes(2 * count)
        return [(EXCHANGE_S, body + crc(body))]

    async def main() -> None:
        every_s = sites * EXCHANGE_S / 0.985  # the channel is full to its brim
        polled = plan(sites, every_s, gateway(), retries=RETRIES, timeout_s=TIMEOUT_S)
        port = MemoryPort(script)
        poller = Poller(polled, {}, outlet, outlet, VirtualClock(), lambda _: port, Random(1))
        running = asyncio.ensure_future(poller.run())
        await asyncio.sleep(WARM_UP_S + MEASURED_S)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    run_virtual(main())
    return outlet.answers


def _naive(sites: int, gone: frozenset[int]) -> Mapping[int, list[float]]:
    """Return when sites answer a loop that asks each in turn and repeats at once."""
    answers: dict[int, list[float]] = {unit: [] for unit in range(1, sites + 1)}
    now = 1000.0
    while now < 1000.0 + WARM_UP_S + MEASURED_S:
        for unit in range(1, sites + 1):
            if unit in gone:
                now += (RETRIES + 1) * TIMEOUT_S
            else:
                now += EXCHANGE_S
                answers[unit].append(now)
    return answers


def _age(answers: Mapping[int, list[float]], living: Iterable[int]) -> float:
    """Return the mean age of the living sites' readings over the measured time [s].

    Between two answers d apart the age grows from 0 to d: its integral is d² / 2.
    """
    begin = 1000.0 + WARM_UP_S
    total = span = 0.0
    for unit in living:
        times = [at for at in answers.get(unit, ()) if at >= begin]
        for early, late in pairwise(times):
            total += (late - early) ** 2 / 2
            span += late - early
    return total / span if span else float("inf")

"""Many gateways in one process: how many exchanges a second, and whether a slow one delays others.

Every gateway is an unpaced server in a process of its own; one of them takes its time with
each answer. Sites are asked for every two seconds.
"""

import asyncio
import multiprocessing
import socket
import statistics
import threading
import time
from dataclasses import replace
from itertools import pairwise
from multiprocessing.connection import Connection

from tallymast.benches.hostile import crc
from tallymast.benches.paced import REGISTERS, Nothing, gateway, plan
from tallymast.domain.errors import ConfigError
from tallymast.domain.model import GatewayPlan, PollDone, PollPlan
from tallymast.polling.poller import Poller

PERIOD_S = 2.0
SLOW_ANSWER_S = 0.8
WARM_UP_S = 5.0


class _Gaps(Nothing):
    """Notes when each site was answered, by gateway."""

    def __init__(self, of_site: dict[int, int]) -> None:
        self._of_site = of_site
        self.answers: dict[tuple[int, int], list[float]] = {}

    def poll_done(self, done: PollDone) -> None:  # type: ignore[override]
        """Note an answered poll."""
        if done.poll.outcome.is_answered:
            key = (self._of_site[done.poll.site_id], done.poll.site_id)
            self.answers.setdefault(key, []).append(asyncio.get_running_loop().time())


def run(gateways: int = 50, sites: int = 64, seconds: int = 20) -> dict[str, object]:
    """Poll all gateways, once with all quick, once with the first slow.

    Returns:
        ``exchanges_per_s`` and ``cpu_share`` of a core with all quick; ``gap_s`` the mean time
        between two answers of a site, ``gap_beside_slow_s`` the same behind the quick gateways
        while one is slow, and ``slow_gap_s`` behind that one (None: none twice).

    Raises:
        ConfigError: no gateway, or more sites than unit addresses.

    """
    if gateways < 2 or not 1 <= sites <= 247:
        raise ConfigError("bench many takes 2 gateways or more, and 1 to 247 sites each.")
    quick, exchanges, cpu = _round(gateways, sites, seconds, slow=False)
    hurt, _, _ = _round(gateways, sites, seconds, slow=True)
    return {
        "exchanges_per_s": round(exchanges / seconds, 1),
        "cpu_share": round(cpu / seconds, 3),
        "gap_s": _mean_gap(quick, range(1, gateways + 1)),
        "gap_beside_slow_s": _mean_gap(hurt, range(2, gateways + 1)),
        "slow_gap_s": _mean_gap(hurt, range(1, 2)),
        "gateways": gateways,
        "sites": gateways * sites,
    }


def _round(
    gateways: int, sites: int, seconds: int, *, slow: bool
) -> tuple[dict[tuple[int, int], list[float]], int, float]:
    near, far = multiprocessing.Pipe()
    server = multiprocessing.Process(target=_serve, args=(far, gateways, slow), daemon=True)
    server.start()
    try:
        ports: list[int] = near.recv()
        return asyncio.run(_polled(ports, sites, seconds))
    finally:
        server.terminate()
        server.join()


async def _polled(
    ports: list[int], sites: int, seconds: int
) -> tuple[dict[tuple[int, int], list[float]], int, float]:
    polled = _plan(ports, sites)
    of_site = {one.site_id: each.gateway_id for each in polled.gateways for one in each.sites}
    outlet = _Gaps(of_site)
    running = asyncio.ensure_future(Poller(polled, {}, outlet, outlet).run())
    await asyncio.sleep(WARM_UP_S)
    outlet.answers.clear()
    cpu = time.process_time()
    await asyncio.sleep(seconds)
    taken = time.process_time() - cpu
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    return outlet.answers, sum(len(times) for times in outlet.answers.values()), taken


def _plan(ports: list[int], sites: int) -> PollPlan:
    made: list[GatewayPlan] = []
    for number, port in enumerate(ports, start=1):
        wired = gateway(f"127.0.0.1:{port}", key=f"mast-{number}", reply_timeout_s=2.0)
        (one,) = plan(sites, PERIOD_S, wired, timeout_s=2.0).gateways
        mine = tuple(replace(site, site_id=1000 * number + site.site_id) for site in one.sites)
        made.append(replace(one, gateway_id=number, sites=mine))
    return PollPlan(1, tuple(made))


def _mean_gap(answers: dict[tuple[int, int], list[float]], gateways: range) -> float | None:
    gaps = [
        late - early
        for (gateway_id, _), times in answers.items()
        if gateway_id in gateways
        for early, late in pairwise(times)
    ]
    return round(statistics.mean(gaps), 3) if gaps else None


def _serve(told: Connection, gateways: int, slow: bool) -> None:
    """Answer every gateway's requests at once, the first one's late if it is to be slow."""
    listeners = [socket.create_server(("127.0.0.1", 0)) for _ in range(gateways)]
    threads = [
        threading.Thread(target=_gateway, args=(one, SLOW_ANSWER_S if slow and not n else 0.0))
        for n, one in enumerate(listeners)
    ]
    for thread in threads:
        thread.daemon = True
        thread.start()
    told.send([one.getsockname()[1] for one in listeners])
    threading.Event().wait()


def _gateway(listener: socket.socket, delay_s: float) -> None:
    answers = {}
    for unit in range(1, 248):
        body = bytes([unit, 4, 2 * REGISTERS]) + bytes(range(2 * REGISTERS))
        answers[unit] = body + crc(body)
    peer, _ = listener.accept()
    peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    while request := peer.recv(256):
        if delay_s:
            time.sleep(delay_s)
        peer.sendall(answers[request[0]])

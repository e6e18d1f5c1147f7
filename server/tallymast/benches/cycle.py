"""How near polling comes to the line's physical limit: the cycle against the sum of T_min.

Sixty-four sites behind one simulated 9600-baud gateway, whose channel keeps an absolute
schedule in a process of its own, are polled as fast as the channel lets; poller, record and
pages run as in `serve`. T_min is recomputed from the frames' lengths.
"""

import statistics
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path

import httpx
import uvicorn

from tallymast import accounts, beside, networks, serving, wiring
from tallymast.benches.loaders import loading
from tallymast.domain.errors import ConfigError, TallymastError
from tallymast.domain.modbus.airtime import exchange_minimum_s
from tallymast.domain.modbus.requests import ReadRequest
from tallymast.domain.model import GatewayPlan, Poll, PollDone, SitePlan
from tallymast.domain.people import Role
from tallymast.routes.app import create_app
from tallymast.storage.engine import Database, open_database

SITES = 64
PEOPLE, SIGN_IN_EVERY_S = 8, 1.0  # forty sign-ins in a quarter hour and address are let through
PASSWORD = "seven herons on a weir"
WARM_UP_S = 25.0  # a start judges the weeks twice, 15 s apart; then every ten minutes
_HEAD = """
title = "Bench"
time_zone = "UTC"

[[gateway]]
key = "mast"
name = "Mast"
transport = "rtu-over-tcp"
address = "127.0.0.1:5020"
baud = 9600
min_gap_ms = 0
turnaround_ms = 20

[[profile]]
key = "plain"
"""
_POINT = """
  [[profile.point]]
  tag = "AI{n}"
  name = "Input {n}"
  kind = "analog-input"
  table = "input"
  register = {n}
  layout = "uint16"
"""
_SITE = """
[[site]]
key = "site-{n}"
name = "Site {n}"
gateway = "mast"
unit = {n}
profile = "plain"
poll_every_s = 1
"""


class _Watch:
    """Notes when each site's polls are answered."""

    def __init__(self) -> None:
        self.answers: dict[int, list[float]] = {}

    def answered(self, done: PollDone) -> None:
        """Note an answered poll."""
        if done.poll.outcome.is_answered:
            self.answers.setdefault(done.poll.site_id, []).append(time.monotonic())

    def committed(self, polls: Sequence[Poll]) -> None:
        """Take stored polls."""


def run(scale: int = 1, seconds: int = 40) -> dict[str, object]:
    """Poll flat out, first alone, then with pages loaded all the time, then with sign-ins.

    Args:
        scale: multiplies the sites, at most to 247.
        seconds: of each part.

    Returns:
        ``cycle_s`` and ``minimum_s``, their ``ratio``, ``ratio_with_page_load`` with four
        clients, ``ratio_with_sign_ins`` while one person after another signs in and out,
        ``sign_in_ms`` and ``sign_in_ms_p95`` of those sign-ins as their browser sees them, and
        ``cpu_share`` of a core that this whole process took while polling alone, without the
        judging of weeks, which takes about a second every ten minutes.

    """
    sites = SITES * scale
    if not 1 <= sites <= 247:
        raise ConfigError("bench cycle takes a --scale of 1 to 3.")
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "network.toml"
        text = _HEAD + "".join(_POINT.format(n=n) for n in range(12))
        file.write_text(text + "".join(_SITE.format(n=n + 1) for n in range(sites)))
        with beside.simulator(file) as addresses:
            database = open_database(Path(folder) / "tallymast.sqlite3")
            try:
                networks.bring_network(database, file.read_text(), file.name)
                watch = _Watch()
                parts = wiring.assemble(database, "all", addresses(), watch=watch)
                with parts.running(), served(parts) as base:
                    return _measure(parts, watch, base, seconds)
            finally:
                database.close()


def _measure(parts: wiring.Parts, watch: _Watch, base: str, seconds: int) -> dict[str, object]:
    gateway = parts.view.gateways[0]
    minimum_s = sum(_minimum_s(gateway, one) for one in gateway.sites)
    time.sleep(max(WARM_UP_S, 2 * minimum_s))
    cpu, began = time.process_time(), time.monotonic()
    cycle_s = _cycle_s(watch.answers, seconds)
    share = (time.process_time() - cpu) / (time.monotonic() - began)
    key = gateway.sites[0].site.key
    with loading(base, ("/", f"/sites/{key}", f"/sites/{key}/charts/AI0.json", "/gateways/mast")):
        loaded_s = _cycle_s(watch.answers, seconds)
    with _signing_in(parts.database, base) as took_ms:
        doors_s = _cycle_s(watch.answers, seconds)
    return {
        "cycle_s": round(cycle_s, 4),
        "minimum_s": round(minimum_s, 4),
        "ratio": round(cycle_s / minimum_s, 4),
        "ratio_with_page_load": round(loaded_s / minimum_s, 4),
        "ratio_with_sign_ins": round(doors_s / minimum_s, 4),
        "sign_in_ms": round(statistics.median(took_ms), 1),
        "sign_in_ms_p95": round(statistics.quantiles(took_ms, n=20)[-1], 1),
        "sign_ins": len(took_ms),
        "cpu_share": round(share, 4),
    }


def _minimum_s(gateway: GatewayPlan, one: SitePlan) -> float:
    """Return the least time a poll of a site holds the channel [s]."""
    total = 0.0
    for block in one.layout.blocks:
        request = ReadRequest(one.site.unit, block.table, block.start, block.count)
        total += exchange_minimum_s(
            len(request.expected().request),
            request.answer_length,
            gateway.gateway.baud,
            gateway.gateway.character_bits,
            gateway.gateway.turnaround_ms / 1000,
        )
    return total


def _cycle_s(answers: Mapping[int, list[float]], seconds: int) -> float:
    """Wait, and return the mean time between two answers of a site meanwhile [s]."""
    begin = time.monotonic()
    time.sleep(seconds)
    end = time.monotonic()
    means = []
    for times in list(answers.values()):
        inside = [at for at in list(times) if begin <= at <= end]
        if len(inside) > 1:
            means.append((inside[-1] - inside[0]) / (len(inside) - 1))
    return statistics.mean(means)


@contextmanager
def _signing_in(database: Database, base: str) -> Iterator[list[float]]:
    """Let one person after another sign in and out; give how long each sign-in took [ms]."""
    ended, took_ms = threading.Event(), list[float]()
    names = [f"person{n}" for n in range(PEOPLE)]
    for name in names:
        accounts.add(database, name, Role.VIEWER, PASSWORD)

    def client() -> None:
        headers = {"sec-fetch-site": "same-origin"}
        with httpx.Client(base_url=base, timeout=30, headers=headers) as asking:
            for n in range(10**6):
                if ended.is_set():
                    return
                form = {"name": names[n % PEOPLE], "password": PASSWORD}
                began = time.perf_counter()
                found = asking.post("/sign-in", data=form)
                took_ms.append(1000 * (time.perf_counter() - began))
                if found.status_code != 303:
                    raise TallymastError(f"A sign-in was answered with {found.status_code}.")
                asking.post("/sign-out")
                ended.wait(SIGN_IN_EVERY_S)

    thread = threading.Thread(target=client, daemon=True)
    thread.start()
    try:
        yield took_ms
    finally:
        ended.set()
        thread.join()


@contextmanager
def served(parts: wiring.Parts) -> Iterator[str]:
    """Serve the pages of running parts for a block; give their address."""
    with serving.listening_socket("127.0.0.1", 0) as listening:
        app = create_app(wiring.services(parts, version("tallymast")))
        config = uvicorn.Config(app, log_config=None, lifespan="off", timeout_graceful_shutdown=1)
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join()

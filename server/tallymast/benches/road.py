"""The whole road at once: a simulated network flat out, polled, stored and followed live.

The simulator runs in a process of its own; poller, record and pages in this one, as in
``serve``. The page's end of the road is a client on the live stream: what a browser would be
sent, without its drawing.
"""

import resource
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import httpx
import numpy as np
import uvicorn

from tallymast import assets, beside, networks, running, serving, wiring
from tallymast.domain.model import Poll, PollDone, PollPlan
from tallymast.routes.app import create_app
from tallymast.storage.engine import Database, open_database

NETWORK = "ombrel-basin.toml"
PERIOD_S = 1.0  # shorter than the channels can hold, so that they are never idle


@dataclass
class Watch:
    """When each poll was answered, stored, and sent to a page; milliseconds between them."""

    sites: dict[str, int] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)
    unstored: dict[tuple[int, int], float] = field(default_factory=dict)
    unshown: dict[int, float] = field(default_factory=dict)
    stored_ms: list[float] = field(default_factory=list)
    shown_ms: list[float] = field(default_factory=list)
    polls: int = 0

    def answered(self, done: PollDone) -> None:
        """Note that the poller handed a poll up."""
        now = time.monotonic()
        with self.lock:
            self.polls += 1
            self.unstored[done.poll.site_id, done.poll.at_ms] = now
            self.unshown.setdefault(done.poll.site_id, now)

    def committed(self, polls: Sequence[Poll]) -> None:
        """Note that polls are on the disk."""
        now = time.monotonic()
        with self.lock:
            for poll in polls:
                began = self.unstored.pop((poll.site_id, poll.at_ms), None)
                if began is not None:
                    self.stored_ms.append((now - began) * 1000)

    def sent(self, line: str) -> None:
        """Note which sites a line of the stream brings up to date."""
        now = time.monotonic()
        with self.lock:
            for key, site_id in self.sites.items():
                if f'id="site-{key}"' in line:
                    began = self.unshown.pop(site_id, None)
                    if began is not None:
                        self.shown_ms.append((now - began) * 1000)


def run(seconds: int = 30) -> dict[str, object]:
    """Poll, store and follow for ``seconds``.

    Returns:
        ``exchanges_per_s`` over all gateways, ``answer_to_database_ms_p99`` (the commit comes
        once a second), ``answer_to_browser_ms_p99``, ``memory_mb`` of this process.

    """
    network = assets.demo_data() / NETWORK
    with tempfile.TemporaryDirectory() as folder, beside.simulator(network) as addresses:
        database = open_database(Path(folder) / "tallymast.sqlite3")
        try:
            networks.bring_network(database, running.read_text(network), network.name)
            return _measure(database, addresses(), seconds)
        finally:
            database.close()


def faster(plan: PollPlan) -> PollPlan:
    """Return the plan with every site polled each second."""
    gateways = tuple(
        replace(
            gateway,
            sites=tuple(
                replace(one, site=replace(one.site, poll_every_s=PERIOD_S)) for one in gateway.sites
            ),
        )
        for gateway in plan.gateways
    )
    return replace(plan, gateways=gateways)


def _measure(database: Database, addresses: Mapping[str, str], seconds: int) -> dict[str, object]:
    watch = Watch()
    parts = wiring.assemble(database, "all", addresses, revised=faster, watch=watch)
    watch.sites = {one.site.key: one.site_id for one in parts.view.sites}
    with parts.running(), _served(parts) as base:
        before, began = _exchanges(parts), time.monotonic()
        _follow(base, watch, seconds)
        rate = (_exchanges(parts) - before) / (time.monotonic() - began)
    return {
        "exchanges_per_s": round(rate, 2),
        "answer_to_database_ms_p99": _p99(watch.stored_ms),
        "answer_to_browser_ms_p99": _p99(watch.shown_ms),
        "memory_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
        "polls": watch.polls,
        "shown": len(watch.shown_ms),
    }


@contextmanager
def _served(parts: wiring.Parts) -> Iterator[str]:
    listening = serving.listening_socket("127.0.0.1", 0)
    host, port = listening.getsockname()
    app = create_app(wiring.services(parts, "bench"))
    server = uvicorn.Server(uvicorn.Config(app, log_config=None, timeout_graceful_shutdown=1))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    try:
        yield f"http://{host}:{port}"
    finally:
        server.should_exit = True
        thread.join()
        listening.close()


def _follow(base: str, watch: Watch, seconds: int) -> None:
    ends = time.monotonic() + seconds
    with httpx.stream("GET", f"{base}/stream/round", timeout=30) as stream:
        for line in stream.iter_lines():
            watch.sent(line)
            if time.monotonic() > ends:
                return


def _exchanges(parts: wiring.Parts) -> int:
    return sum(state.exchanges for state in parts.live.gateways().values())


def _p99(values: Sequence[float]) -> float | None:
    return round(float(np.percentile(values, 99)), 1) if values else None

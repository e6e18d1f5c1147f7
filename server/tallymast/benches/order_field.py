"""A simulated network behind a proxy, a database, and a serving program that may be killed.

The simulator runs in this process, so that what its stations executed is known at once, whoever
is killed; the program is a real ``serve`` on a real database file.
"""

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from tallymast import networks
from tallymast.benches.order_network import SITE, UNIT, written
from tallymast.benches.order_proxy import WRITES, Proxy
from tallymast.benches.order_starts import Served
from tallymast.domain import network_file
from tallymast.domain.orders.model import Order, OrderState, Wanted
from tallymast.simulator.radio_network import RadioNetwork
from tallymast.simulator.truth import Truth, TruthLine
from tallymast.storage import keys, orders
from tallymast.storage.engine import open_database
from tallymast.storage.orders import NewOrder

VALID_MS: Final = 30_000
OVER_S: Final = 60.0
START_S: Final = 60.0  # Ours: a start that takes longer is the machine's doing, and is repeated
STARTS: Final = 5
LOOK_S: Final = 0.02
DRAIN_S: Final = 10.0


class Executed(Truth):
    """Keeps the writes the stations obeyed, as the simulator tells them."""

    def __init__(self) -> None:
        super().__init__()
        self.writes: list[TruthLine] = []

    def tell(self, line: TruthLine) -> None:
        """Note a write."""
        if line.function in WRITES and line.unit == UNIT:
            self.writes.append(line)


class Field:
    """What orders are tried on.

    Args:
        folder: an empty one, for its files.
        every_s: how often its sites are polled.
        role: what is served: ``poller``, or ``all`` with pages.

    Attributes:
        killed_s: when the program was killed last, by the monotonic clock.
        heard_s: when the site's first answer since the last start was passed on.
        slow_starts: starts that took too long and were repeated.
        pages: under which address pages are served.

    """

    def __init__(self, folder: Path, every_s: float, role: str = "poller") -> None:
        self.truth = Executed()
        text = written("127.0.0.1:5020", every_s=every_s)
        _, network = network_file.read(text, "bench")
        self.radio = RadioNetwork(network, truth=self.truth)
        (far,) = self.radio.start().values()
        self.proxy = Proxy(far)
        self.proxy.answered = self._heard
        self.file = folder / "tallymast.sqlite3"
        self.database = open_database(self.file)
        text = written(self.proxy.address, every_s=every_s)
        networks.bring_network(self.database, text, "bench")
        _, plan = networks.load_network(self.database)
        self.site = next(one for one in plan.gateways[0].sites if one.site.key == SITE)
        self._options = ["--role", role, "--data-dir", str(folder), "--port", "0"]
        self._looks = sqlite3.connect(self.file, isolation_level=None, check_same_thread=False)
        self._process: Served | None = None
        self._killing = threading.Lock()
        self._is_heard = threading.Event()
        self.killed_s = self.heard_s = 0.0
        self.slow_starts = 0
        self.pages = ""

    @contextmanager
    def running(self) -> Iterator[None]:
        """Serve for a block."""
        with self.proxy:
            try:
                self.start()
                self.until_known(time.time_ns() // 1_000_000)
                yield
            finally:
                self.kill()
                self.radio.stop()
                self._looks.close()
                self.database.close()

    # --- the program ---------------------------------------------------------------------

    def start(self) -> None:
        """Start the program and wait until it has heard the site; too slow a start is repeated.

        Raises:
            RuntimeError: several starts one after the other took too long.

        """
        for _ in range(STARTS):
            if self._is_started():
                return
            self.slow_starts += 1
            self.kill()
        raise RuntimeError(f"{STARTS} starts took longer than {START_S:g} s each.")

    def _is_started(self) -> bool:
        self.proxy.drain(DRAIN_S)
        self._is_heard.clear()
        self._process = Served(self._options)
        line = self._process.line(START_S)
        self.pages = line.rpartition(" ")[2]
        return bool(line) and self._is_heard.wait(START_S)

    def _heard(self, frame: bytes) -> None:
        if frame[0] == UNIT and not self._is_heard.is_set():
            self.heard_s = time.monotonic()
            self._is_heard.set()

    def kill(self) -> None:
        """End the program as a power cut does; from any thread, and more than once."""
        with self._killing:
            process, self._process = self._process, None
            if process is not None:
                self.killed_s = time.monotonic()
                process.kill()

    # --- the database ----------------------------------------------------------------------

    def until_known(self, since_ms: int) -> bool:
        """Wait until a poll of the site is stored that ended after an instant [UTC ms].

        Who orders has the site polled first; an order by an older value is refused.
        """
        return self.until(lambda: self.answered_ms() > since_ms)

    def answered_ms(self) -> int:
        """Return when the site answered last, of what is stored [UTC ms]."""
        query = "SELECT last_answer_ms FROM site_state WHERE site_id = ?"
        row = self._looks.execute(query, (self.site.site_id,)).fetchone()
        return int(row[0] or 0) if row is not None else 0

    def make(self, key: str, tag: str, wanted: Wanted) -> Order:
        """Store an order, as a page does."""
        now_ms = time.time_ns() // 1_000_000
        with self.database.writing() as conn:
            number = keys.point_id(conn, self.site.site_id, tag)
            assert number is not None
            new = NewOrder(
                key, now_ms, now_ms + VALID_MS, "bench", None, self.site.site_id, number, wanted
            )
            return orders.make(conn, new)[0]

    def order(self, key: str) -> tuple[Order | None, int]:
        """Return the order of a request key as it is stored now, and how many steps it has."""
        with self.database.reading() as conn:
            found = orders.by_key(conn, key)
            return found, len(orders.steps(conn, found.id)) if found is not None else 0

    def state(self, key: str) -> OrderState | None:
        """Return where an order stands, in one look at its row; None: there is no row."""
        query = "SELECT state FROM orders WHERE request_key = ?"
        row = self._looks.execute(query, (key,)).fetchone()
        return OrderState(row[0]) if row is not None else None

    def is_over(self, key: str) -> bool:
        """Whether an order has ended."""
        found = self.state(key)
        return found is not None and found.is_over

    @contextmanager
    def unwritable(self) -> Iterator[None]:
        """Hold the file's lock for a block: nobody stores anything meanwhile."""
        held = sqlite3.connect(
            self.file, isolation_level=None, timeout=OVER_S, check_same_thread=False
        )
        try:
            held.execute("BEGIN IMMEDIATE")
            yield
        finally:
            held.close()

    def until(self, is_so: Callable[[], bool], look_s: float = LOOK_S) -> bool:
        """Wait until something is so; return whether it was in time."""
        ends = time.monotonic() + OVER_S
        while not is_so():
            if time.monotonic() > ends:
                return False
            time.sleep(look_s)
        return True

"""Kills a serving poller between each pair of an order's steps, and looks how each order ended.

The simulator runs in this process, so that what its stations executed is known at once; the
poller is a real ``serve --role poller`` behind a proxy. It is killed as a power cut does it
(SIGKILL), started again, and every order is followed to its end.
"""

import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Final

from tallymast import networks
from tallymast.benches.order_network import SITE, UNIT, some_order, written
from tallymast.benches.order_proxy import WRITES, Passing, Proxy
from tallymast.domain import network_file
from tallymast.domain.orders.model import Order, OrderKind, OrderState, Wanted
from tallymast.domain.orders.writing import request_of
from tallymast.simulator.radio_network import RadioNetwork
from tallymast.simulator.truth import Truth, TruthLine
from tallymast.storage import keys, orders, states
from tallymast.storage.engine import open_database
from tallymast.storage.orders import NewOrder

MOMENTS: Final = ("stored", "sending", *(one.value for one in Passing))
VALID_MS: Final = 30_000
OVER_S: Final = 60.0
LOOK_S: Final = 0.02
OFTEN_S: Final = 2.0  # how often sites are polled where kills are waited out
USUAL_S: Final = 10.0  # and where time is taken: as a control site
CLOSE_LOOK_S: Final = 0.001  # to strike while the row says that it is being sent
READY: Final = "Tallymast is polling."


class Executed(Truth):
    """Keeps the writes the stations obeyed, as the simulator tells them."""

    def __init__(self) -> None:
        super().__init__()
        self.writes: list[TruthLine] = []

    def tell(self, line: TruthLine) -> None:
        """Note a write."""
        if line.function in WRITES and line.unit == UNIT:
            self.writes.append(line)


@dataclass
class Killed:
    """What came of the orders whose poller was killed at one moment."""

    kills: int = 0
    states: dict[str, int] = field(default_factory=dict)
    false_done: int = 0
    doubled: int = 0
    lost: int = 0

    def add(self, found: Order | None, steps: int, writes: list[TruthLine], value: int) -> None:
        """Count one order; ``writes`` is what was executed of its output since it was made."""
        name = found.state.value if found is not None else "gone"
        self.states[name] = self.states.get(name, 0) + 1
        self.doubled += len(writes) > 1
        self.lost += found is None or not found.state.is_over or steps < 2
        if found is not None and found.state is OrderState.CONFIRMED:
            self.false_done += not any(one.words[0] == value for one in writes)


class Field:
    """A simulated network behind a proxy, a database, and a poller that may be killed."""

    def __init__(self, folder: Path, every_s: float) -> None:
        self.truth = Executed()
        text = written("127.0.0.1:5020", every_s=every_s)
        _, network = network_file.read(text, "bench")
        self.radio = RadioNetwork(network, truth=self.truth)
        (far,) = self.radio.start().values()
        self.proxy = Proxy(far)
        self._file = folder / "network.toml"
        self._file.write_text(written(self.proxy.address, every_s=every_s), "utf-8")
        self._folder = folder
        self.database = open_database(folder / "tallymast.sqlite3")
        networks.bring_network(self.database, self._file.read_text("utf-8"), "bench")
        _, plan = networks.load_network(self.database)
        self.site = next(one for one in plan.gateways[0].sites if one.site.key == SITE)
        self._process: subprocess.Popen[str] | None = None
        self._killing = threading.Lock()

    @contextmanager
    def running(self) -> Iterator[None]:
        """Serve for a block."""
        with self.proxy:
            try:
                self.start()
                yield
            finally:
                self.kill()
                self.radio.stop()
                self.database.close()

    def start(self) -> None:
        """Start the poller and wait until it has heard the site."""
        command = [sys.executable, "-m", "tallymast", "serve", "--role", "poller"]
        command += ["--data-dir", str(self._folder)]
        since_ms = time.time_ns() // 1_000_000
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert self._process.stdout is not None
        assert self._process.stdout.readline().startswith(READY)
        self.until(lambda: self.answered_ms() > since_ms)

    def kill(self) -> None:
        """End the poller as a power cut does; from any thread, and more than once."""
        with self._killing:
            process = self._process
            if process is not None:
                process.kill()  # SIGKILL; of one that has ended it does nothing
                process.wait(30)
                if process.stdout is not None:
                    process.stdout.close()

    def answered_ms(self) -> int:
        """Return when the site answered last [UTC ms]."""
        with self.database.reading() as conn:
            known = states.load_site_states(conn).get(self.site.site_id)
        return known.last_answer_ms or 0 if known is not None else 0

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

    def order(self, number: int) -> Order | None:
        """Return an order as it is stored now."""
        with self.database.reading() as conn:
            return orders.order(conn, number)

    def is_over(self, number: int) -> bool:
        """Whether an order has ended."""
        found = self.order(number)
        return found is not None and found.state.is_over

    def until(self, is_so: Callable[[], bool], look_s: float = LOOK_S) -> bool:
        """Wait until something is so; return whether it was in time."""
        ends = time.monotonic() + OVER_S
        while not is_so():
            if time.monotonic() > ends:
                return False
            time.sleep(look_s)
        return True


def kill_between(times: int, seed: int) -> dict[str, Killed]:
    """Kill the poller ``times`` times at each moment of an order; return what came of each."""
    found = {moment: Killed() for moment in MOMENTS}
    with tempfile.TemporaryDirectory() as folder:
        field_ = Field(Path(folder), OFTEN_S)
        with field_.running():
            chance = Random(seed)
            for n in range(times):
                for moment in MOMENTS:
                    _kill_at(field_, moment, f"{moment}-{n}", chance, found[moment])
    return found


def _kill_at(field_: Field, moment: str, key: str, chance: Random, tally: Killed) -> None:
    tag, wanted = some_order(chance)
    point = field_.site.site.point(tag)
    assert point is not None
    value = request_of(UNIT, point, wanted).values[0]
    before, struck = len(field_.truth.writes), threading.Event()

    def told(passing: Passing, frame: bytes) -> None:
        if passing == moment and not struck.is_set() and frame[0] == UNIT:
            struck.set()
            field_.kill()  # its bytes are here, and go on

    field_.proxy.told = told
    made = field_.make(key, tag, wanted)
    _strike(field_, moment, made.id, struck)
    field_.proxy.told = lambda *_: None
    tally.kills += struck.is_set()
    field_.kill()
    field_.start()
    field_.until(lambda: field_.is_over(made.id))
    _see_to_the_end(field_, field_.order(made.id))
    with field_.database.reading() as conn:
        found, steps = orders.order(conn, made.id), len(orders.steps(conn, made.id))
    written_to = [one for one in field_.truth.writes[before:] if one.start == point.register]
    tally.add(found, steps, written_to, value)


def _strike(field_: Field, moment: str, number: int, struck: threading.Event) -> None:
    """Wait for the kill; where a row's state is the moment, kill from here."""
    if moment == "stored":
        struck.set()
        field_.kill()
    elif moment == "sending":
        field_.until(lambda: _is_begun(field_.order(number)), CLOSE_LOOK_S)
        struck.set()
        field_.kill()
    else:
        field_.until(struck.is_set)


def _is_begun(found: Order | None) -> bool:
    return found is not None and found.state is not OrderState.STORED


def _see_to_the_end(field_: Field, order: Order | None) -> None:
    """Wait until the site was heard since: what is sent again would be sent by then."""
    since_ms = order.state_ms if order is not None else 0
    field_.until(lambda: field_.answered_ms() > since_ms)


def latencies_ms(times: int, seed: int) -> list[float]:
    """Return how long orders took from being stored to being read back [ms], all confirmed."""
    found: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        field_ = Field(Path(folder), USUAL_S)
        with field_.running():
            chance = Random(seed)
            for n in range(times):
                is_on = Wanted(OrderKind.ON, 1.0) if n % 2 == 0 else Wanted(OrderKind.OFF, 0.0)
                time.sleep(0.5 * chance.random())  # anywhere in the round of polls
                taken_ms = _taken_ms(field_, field_.make(f"plain-{n}", "PUMP", is_on).id)
                found += [] if taken_ms is None else [taken_ms]
    return found


def _taken_ms(field_: Field, number: int) -> float | None:
    """Return how long an order took to its read-back; None where it was not read back."""
    field_.until(lambda: field_.is_over(number))
    order = field_.order(number)
    _see_to_the_end(field_, order)
    if order is None or order.readback_ms is None:
        return None
    return float(order.readback_ms - order.made_ms)

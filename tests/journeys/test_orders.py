"""An order on its way through real programs: what the database says while its bytes are out."""

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import pytest
from tests.journeys.conftest import READY, Command, truth_of, watch

from tallymast.benches.order_network import SITE, written
from tallymast.benches.order_proxy import Passing, Proxy
from tallymast.domain.orders.model import OrderKind, OrderState, Wanted
from tallymast.storage import keys, orders
from tallymast.storage.engine import open_database
from tallymast.storage.orders import NewOrder

WRITE_COILS = 15  # MODBUS Application Protocol V1.1b3 §6.11
COIL = 8


@dataclass
class Scene:
    """A simulated gateway behind a proxy, and where its database lies."""

    folder: Path
    proxy: Proxy
    truth: Path
    file: Path
    seen: list[tuple[Passing, str]] = field(default_factory=list)
    struck: threading.Event = field(default_factory=threading.Event)

    def state(self) -> str:
        """The newest order's state, read as any program may read it."""
        with closing(sqlite3.connect(self.folder / "tallymast.sqlite3")) as connection:
            row = connection.execute("SELECT state FROM orders ORDER BY id DESC").fetchone()
        return str(row[0]) if row else "none"

    def executed(self) -> list[list[int]]:
        """What the station did: the writes it obeyed."""
        return [
            line["words"]  # type: ignore[misc]
            for line in truth_of(self.truth)
            if line["function"] == WRITE_COILS and line["start"] == COIL
        ]

    def order(self, key: str, wanted: Wanted) -> int:
        """Store an order as a page does."""
        database = open_database(self.folder / "tallymast.sqlite3")
        try:
            with database.writing() as conn:
                site_id = conn.exec_driver_sql("SELECT id FROM site ORDER BY id").scalars().first()
                assert isinstance(site_id, int)
                now_ms = time.time_ns() // 1_000_000
                number = keys.point_id(conn, site_id, "PUMP")
                assert number is not None
                new = NewOrder(key, now_ms, now_ms + 30_000, "ada", None, site_id, number, wanted)
                return orders.make(conn, new)[0].id
        finally:
            database.close()

    def stored(self, number: int) -> tuple[OrderState, str, list[str]]:
        """An order's state, reason and history."""
        database = open_database(self.folder / "tallymast.sqlite3")
        try:
            with database.reading() as conn:
                found = orders.order(conn, number)
                steps = [one.detail for one in orders.steps(conn, number)]
        finally:
            database.close()
        assert found is not None
        return found.state, found.reason, steps

    def is_over(self, _: httpx.Client) -> bool:
        return OrderState(self.state()).is_over


@pytest.fixture
def scene(run: Callable[..., Command], tmp_path: Path) -> Iterator[Scene]:
    radio_file, file = tmp_path / "radio.toml", tmp_path / "network.toml"
    radio_file.write_text(written("127.0.0.1:5020", every_s=2.0), encoding="utf-8")
    truth = tmp_path / "truth.jsonl"
    radio = run("simulate", "--network", radio_file, "--any-port", "--truth", truth)
    host, port = radio.wait_for("mast listens at ").rsplit(":", 1)
    radio.wait_for("ready")
    with Proxy((host, int(port))) as proxy:
        file.write_text(written(proxy.address, every_s=2.0), encoding="utf-8")
        yield Scene(tmp_path, proxy, truth, file)


def serve(run: Callable[..., Command], scene: Scene) -> tuple[Command, str]:
    served = run("serve", "--network", scene.file, "--data-dir", scene.folder, "--port", "0")
    base = served.wait_for(READY)
    watch(base, lambda client: answered(client) is not None)
    return served, base


def answered(client: httpx.Client) -> object:
    return client.get(f"/api/v1/sites/{SITE}").json()["last_answer_at"]


def test_a_row_says_sending_before_any_byte_and_a_killed_poller_sends_nothing_twice(
    run: Callable[..., Command], scene: Scene
) -> None:
    served, base = serve(run, scene)
    scene.proxy.told = lambda passing, _: scene.seen.append((passing, scene.state()))
    number = scene.order("on", Wanted(OrderKind.ON, 1.0))
    watch(base, scene.is_over)
    state, _, steps = scene.stored(number)
    assert scene.seen[0] == (Passing.WRITE, "sending")
    assert [passing for passing, _ in scene.seen] == list(Passing)
    assert all(said in ("sending", "sent") for _, said in scene.seen)
    assert state is OrderState.CONFIRMED
    assert len(steps) == 4  # stored, sending, sent, confirmed
    assert scene.executed() == [[1]]

    def kill(passing: Passing, _: bytes) -> None:
        if passing is Passing.WRITE:
            scene.seen.append((passing, scene.state()))
            served.process.kill()
            served.process.wait(30)
            scene.struck.set()

    scene.seen.clear()
    scene.proxy.told = kill
    number = scene.order("off", Wanted(OrderKind.OFF, 0.0))
    assert scene.struck.wait(60)
    scene.proxy.told = lambda *_: None
    assert scene.seen == [(Passing.WRITE, "sending")]
    again, base = serve(run, scene)
    watch(base, scene.is_over)
    state, reason, _ = scene.stored(number)
    assert state is OrderState.UNKNOWN
    assert "never sent again" in reason
    watch(base, lambda _: scene.stored(number)[2][-1].startswith("Read once afterwards"))
    state, _, steps = scene.stored(number)
    assert state is OrderState.UNKNOWN  # it stays so
    assert steps[-1] == "Read once afterwards: the output is off."
    assert scene.executed() == [[1], [0]]
    assert again.stop() == 0

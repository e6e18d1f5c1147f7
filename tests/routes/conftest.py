"""A small world behind the web: a database with a network, hand-made polls, a clock that stands."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.blank import blank
from tests.routes.kept_rooms import keep_rooms

from tallymast.domain import contact, network_file
from tallymast.domain.model import (
    Gateway,
    GatewayState,
    GatewayStatus,
    Outcome,
    Poll,
    PollDone,
    PollFlag,
    SitePlan,
    SiteState,
    SiteStatus,
)
from tallymast.domain.read_plan import read_plan
from tallymast.files.shelf import Shelf
from tallymast.live import Live
from tallymast.routes.app import create_app
from tallymast.routes.services import NetworkView, PollerCondition, Services
from tallymast.storage import network
from tallymast.storage.engine import Database
from tallymast.storage.writer import StorageStatus, Writer

keep_rooms()

NOW_MS = 1_772_964_000_000  # 2026-03-08 10:00 UTC

NETWORK = """
title = "Two tanks"
time_zone = "UTC"
contract_hour = 7

[[gateway]]
key = "mast"
name = "Mast"
transport = "rtu-over-tcp"
address = "127.0.0.1:5020"

[[profile]]
key = "tank"

  [[profile.point]]
  tag = "LVL"
  name = "Level"
  kind = "analog-input"
  table = "input"
  register = 0
  layout = "uint16"
  raw = [4000, 20000]
  value = [0.0, 5.0]
  unit = "m"
  loop = "4-20mA"
  limits = { low = 1.0, high = 4.5 }

  [[profile.point]]
  tag = "VBAT"
  name = "Supply voltage"
  kind = "supply-voltage"
  table = "input"
  register = 1
  layout = "uint16"
  raw = [0, 100]
  value = [0.0, 1.0]
  unit = "V"

  [[profile.point]]
  tag = "HATCH"
  name = "Hatch"
  kind = "discrete-input"
  table = "input"
  register = 2
  layout = "bool"
  bit = 0
  words = ["shut", "open"]

[[site]]
key = "quill-tank"
name = "Quill Tank"
area = "Town"
gateway = "mast"
unit = 1
profile = "tank"
poll_every_s = 60
access = "Gate code with the district office."
cautions = ["open water"]
  [site.supply]
  kind = "solar"
  chemistry = "agm"
  capacity_ah = 33
  disconnect_v = 11.5

[[site]]
key = "osier-pond"
name = "Osier <Pond>"
gateway = "mast"
unit = 2
profile = "tank"
poll_every_s = 60

[[site]]
key = "teal-pond"
name = "Teal Pond"
gateway = "mast"
unit = 3
profile = "tank"
in_service = false
"""


def words(level: int, volts: int, hatch: int) -> bytes:
    """Three input registers, high byte first."""
    return b"".join(value.to_bytes(2, "big") for value in (level, volts, hatch))


@dataclass
class World:
    """Everything the web is handed, and ways to let something happen in it."""

    database: Database
    live: Live
    view: NetworkView
    shelf: Shelf
    now_ms: int = NOW_MS
    storage: StorageStatus = field(default_factory=lambda: StorageStatus("ok", 0, 0, 0))
    poller: PollerCondition = field(default_factory=lambda: PollerCondition("polling"))
    states: dict[int, SiteState] = field(default_factory=dict)

    def plan(self, key: str) -> SitePlan:
        found = self.view.site(key)
        assert found is not None
        return found

    def gateway(self) -> Gateway:
        return self.view.gateways[0].gateway

    def polls(self, key: str, made: list[tuple[int, Outcome, bytes]]) -> None:
        """Record polls: instant, outcome, words; states follow as the poller's would."""
        plan = self.plan(key)
        writer = Writer(self.database)
        writer.start()
        for at_ms, outcome, body in made:
            done = self._done(plan, at_ms, outcome, body)
            writer.put(done)
            self.live.publish_poll(done)
        assert writer.flush()
        writer.stop()

    def _done(self, plan: SitePlan, at_ms: int, outcome: Outcome, body: bytes) -> PollDone:
        answered = outcome.is_answered
        poll = Poll(
            plan.site_id,
            at_ms,
            outcome,
            PollFlag.NONE,
            1 if outcome is Outcome.FIRST_TRY else 3,
            81.3 if answered else None,
            plan.layout.id,
            1 if answered else 0,
            0,
            body if answered else b"",
        )
        before = self.states.get(plan.site_id) or contact.first_state(
            plan.layout, SiteStatus.NEVER_ANSWERED, at_ms
        )
        patience = contact.patience(plan.site, self.gateway())
        self.states[plan.site_id] = contact.next_state(before, poll, plan.layout, patience)
        return PollDone(poll, self.states[plan.site_id])

    def services(self, viewing: str = "open") -> Services:
        return Services(
            database=self.database,
            live=self.live,
            network=lambda: self.view,
            now_ms=lambda: self.now_ms,
            version="0.0-test",
            storage_condition=lambda: self.storage,
            poller_condition=lambda: self.poller,
            hosts=("testserver", "127.0.0.1"),
            viewing=viewing,
            shelf=self.shelf,
        )


def begin(tmp_path: Path, text: str = NETWORK, database: Database | None = None) -> World:
    """A world of a network file's text; whoever asks closes its database."""
    written, whole = network_file.read(text, "two-tanks.toml")
    database = database or blank(tmp_path / "tallymast.sqlite3")
    with database.writing() as conn:
        network.store_network(
            conn, written, whole, actor="local", source="file", at_ms=0, plan_blocks=read_plan
        )
    with database.reading() as conn:
        plan = network.load_plan(conn, whole)
    live = Live()
    live.publish_gateway(
        GatewayState(plan.gateways[0].gateway_id, GatewayStatus.CONNECTED, NOW_MS, cycle_s=1.5)
    )
    return World(database, live, NetworkView(whole, plan), Shelf(tmp_path / "exports"))


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = begin(tmp_path)
    yield made
    made.database.close()


@pytest.fixture
def client(world: World) -> Iterator[TestClient]:
    with TestClient(create_app(world.services())) as made:
        yield made


Ask = Callable[[str], object]

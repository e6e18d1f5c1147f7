"""A small world with outputs: a booster with a pump and a set-point, a gate moved by pulses."""

import re
from dataclasses import dataclass
from pathlib import Path

import httpx2 as httpx
from starlette.testclient import TestClient
from tests.routes.conftest import NOW_MS, World, begin

from tallymast.domain.model import JobState, Outcome
from tallymast.domain.orders.model import Order
from tallymast.storage import audit, jobs, order_list
from tallymast.storage.audit import Entry

MINUTE = 60_000
PUMP = "/sites/dunlin-booster/outputs/START"
RAISE = "/sites/hob-gate/outputs/RAISE"

_POINT = """
  [[profile.point]]
  table = "holding"
"""

NETWORK = f"""
title = "Two stations"
time_zone = "UTC"
contract_hour = 7

[[gateway]]
key = "mast"
name = "Mast"
transport = "rtu-over-tcp"
address = "127.0.0.1:5020"

[[profile]]
key = "pump"
{_POINT}
  tag = "RUN"
  name = "Running"
  kind = "discrete-input"
  register = 0
  layout = "bool"
  bit = 0
  words = ["stopped", "running"]
{_POINT}
  tag = "AUTO"
  name = "Selector"
  kind = "discrete-input"
  register = 0
  layout = "bool"
  bit = 1
  words = ["hand or off", "auto"]
{_POINT}
  tag = "START"
  name = "Pump"
  kind = "discrete-output"
  register = 0
  layout = "bool"
  bit = 2
  words = ["off", "on"]
  write = {{ table = "coil", register = 0, function = 15 }}
  fail_safe = {{ state = "off", after_s = 120 }}
  feedback = {{ tag = "RUN", within_s = 30 }}
  auto = "AUTO"
{_POINT}
  tag = "SPEED"
  name = "Speed"
  kind = "analog-output"
  register = 1
  layout = "uint16"
  raw = [0, 1000]
  value = [0.0, 100.0]
  unit = "%"
  write = {{ table = "holding", register = 1, function = 16 }}

[[profile]]
key = "gate"
{_POINT}
  tag = "RAISE"
  name = "Raise"
  kind = "pulse-output"
  register = 0
  layout = "uint16"
  seconds_per_count = 0.1
  max_s = 1800
  write = {{ table = "holding", register = 0, function = 16 }}
  fail_safe = {{ state = "hold", after_s = 600 }}

[[site]]
key = "dunlin-booster"
name = "Dunlin Booster"
area = "Town works"
gateway = "mast"
unit = 2
profile = "pump"
poll_every_s = 10
cautions = ["starts without warning"]

[[site]]
key = "hob-gate"
name = "Hob Gate"
gateway = "mast"
unit = 7
profile = "gate"
poll_every_s = 60
"""


@dataclass
class Bench:
    """A client in that world whose station answers every poll that is asked for, unless mute."""

    world: World
    client: TestClient
    running: bool = False
    auto: bool = True
    on: bool = False
    speed: int = 400
    mute: bool = False

    def registers(self, key: str = "dunlin-booster") -> bytes:
        if key == "hob-gate":
            return (0).to_bytes(2, "big")
        bits = self.running + 2 * self.auto + 4 * self.on
        return bits.to_bytes(2, "big") + self.speed.to_bytes(2, "big")

    def polled(self, key: str = "dunlin-booster") -> None:
        """The site is polled now."""
        outcome = Outcome.NO_ANSWER if self.mute else Outcome.FIRST_TRY
        self.world.polls(key, [(self.world.now_ms, outcome, self.registers(key))])

    def answer(self) -> None:
        """Every poll that waits is made, a second later."""
        with self.world.database.reading() as conn:
            waiting = jobs.waiting(conn, ("poll",))
        keys = {one.site_id: one.site.key for one in self.world.view.sites}
        for one in waiting:
            self.world.now_ms += 1000
            self.polled(keys[one.site_id or 0])
            said = "no answer within 2.0 s" if self.mute else "answered"
            with self.world.database.writing() as conn:
                jobs.update(conn, one.id, JobState.DONE, 1.0, said, self.world.now_ms)

    def choose(self, path: str = PUMP, client: TestClient | None = None, **fields: str) -> str:
        """Choose what to do; return the confirm page's address, its poll answered."""
        sent = fields or {"kind": "on"}
        made = (client or self.client).post(path, data=sent, follow_redirects=False)
        assert made.status_code == 303, text_of(made.text)
        self.answer()
        return made.headers["location"]

    def press(
        self, address: str, html: str, client: TestClient | None = None, **more: str
    ) -> httpx.Response:
        """Press the button of a confirm page."""
        token = token_of(html)
        assert token, text_of(html)
        path = address.replace("/confirm?", "/order?")
        data = {"token": token, **more}
        return (client or self.client).post(path, data=data, follow_redirects=False)

    def orders(self) -> tuple[Order, ...]:
        with self.world.database.reading() as conn:
            return order_list.search(conn, order_list.Wanted(), 100)

    def told(self, action: str) -> list[Entry]:
        with self.world.database.reading() as conn:
            return audit.search(conn, audit.Wanted(action=action), 100)


def pump_world(tmp_path: Path) -> World:
    """The world, its two stations polled once a minute for eleven minutes; all is off."""
    made = begin(tmp_path, NETWORK)
    for key, body in (("dunlin-booster", b"\x00\x02\x01\x90"), ("hob-gate", b"\x00\x00")):
        times = range(NOW_MS - 10 * MINUTE, NOW_MS + 1, MINUTE)
        made.polls(key, [(at_ms, Outcome.FIRST_TRY, body) for at_ms in times])
    return made


def text_of(html: str) -> str:
    """The words of a page, without its tags."""
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


def token_of(html: str) -> str:
    """The token of a confirm page's button; empty where there is no button."""
    found = re.search(r'name="token" value="([^"]+)"', html)
    return found[1] if found else ""

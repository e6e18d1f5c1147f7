"""Five sites with hand-made polls, and findings named by hand, for the page of a finding."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient
from tests.routes.conftest import NOW_MS, World, begin

from tallymast.domain.health.diagnosis.model import (
    About,
    At,
    ChartOf,
    Diagnosis,
    Said,
    Shown,
    TimeOf,
)
from tallymast.domain.model import Outcome, PollDone, PollFlag
from tallymast.routes.app import create_app
from tallymast.storage.writer import Writer

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
GOOD, LATER, LOST = Outcome.FIRST_TRY, Outcome.RETRIED, Outcome.NO_ANSWER
GARBLED = Outcome.GARBLED

_POINTS = (
    ("LVL", "Level", "analog-input", "uint16", 'unit = "m"\n  limits = { low = 1.0, high = 4.5 }'),
    ("VBAT", "Supply voltage", "supply-voltage", "uint16", 'unit = "V"'),
    ("RSSI", "Signal strength", "signal", "int16", 'unit = "dBm"'),
    ("TOTAL", "Total", "totalizer", "uint16", 'unit = "m³"'),
    ("RESTARTS", "Restart counter", "counter", "uint16", ""),
)
_SCALES = {
    "LVL": "raw = [4000, 20000]\n  value = [0.0, 5.0]\n",
    "VBAT": "raw = [0, 100]\n  value = [0.0, 1.0]\n",
}
_SITES = ("Quill Tank", "Osier <Pond>", "Teal Pond", "Cress Spring", "Vetch Water")
_BARE = """
[[profile]]
key = "bare"

  [[profile.point]]
  tag = "LVL"
  name = "Level"
  kind = "analog-input"
  table = "input"
  register = 0
  layout = "uint16"
  unit = "m"

[[site]]
key = "bare"
name = "Bare Post"
gateway = "mast"
unit = 9
profile = "bare"
"""


def network() -> str:
    text = """
title = "Five tanks"
time_zone = "UTC"

[[gateway]]
key = "mast"
name = "Mast"
transport = "rtu-over-tcp"
address = "127.0.0.1:5020"

[[profile]]
key = "tank"
"""
    for register, (tag, name, kind, layout, more) in enumerate(_POINTS):
        text += f"""
  [[profile.point]]
  tag = "{tag}"
  name = "{name}"
  kind = "{kind}"
  table = "input"
  register = {register}
  layout = "{layout}"
  {_SCALES.get(tag, "")}
  {more}
"""
    for unit, name in enumerate(_SITES, start=1):
        text += f"""
[[site]]
key = "site-{unit}"
name = "{name}"
gateway = "mast"
unit = {unit}
profile = "tank"
poll_every_s = 60
  [site.supply]
  kind = "solar"
  chemistry = "agm"
  capacity_ah = 33
  disconnect_v = 11.6
  reconnect_v = 12.7
"""
    return text + _BARE


def station(
    level: int = 12_000, volts: int = 1287, dbm: int = -80, total: int = 100, restarts: int = 3
) -> bytes:
    """What a station's five registers hold, high byte first."""
    values = (level, volts, dbm & 0xFFFF, total, restarts)
    return b"".join(value.to_bytes(2, "big") for value in values)


class Evidence:
    """A world, and the findings that are named in it."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.named: list[Diagnosis] = []
        self.client = TestClient(
            create_app(replace(world.services(), causes=lambda: tuple(self.named)))
        )

    def id(self, number: int) -> int:
        return self.world.plan(f"site-{number}").site_id

    def polls(self, number: int, made: list[tuple[int, Outcome, bytes]]) -> None:
        self.world.polls(f"site-{number}", made)

    def refuse(self, number: int, at_ms: int) -> None:
        """Record a poll that the station answered with an exception."""
        plan = self.world.plan(f"site-{number}")
        done = self.world._done(plan, at_ms, GOOD, station())
        poll = replace(done.poll, flags=PollFlag.REFUSED, code=2)
        writer = Writer(self.world.database)
        writer.start()
        writer.put(PollDone(poll, done.state))
        assert writer.flush()
        writer.stop()

    def name(self, chart: ChartOf, numbers: tuple[int, ...] = (1,), **change: Any) -> Diagnosis:
        """Name an antenna at some sites, with a chart."""
        fields: dict[str, Any] = {
            "cause": "antenna",
            "title": "Antenna, connector or surge arrester",
            "about": About.CONTACT,
            "gateway_id": self.world.view.gateways[0].gateway_id,
            "site_ids": tuple(self.id(number) for number in numbers),
            "since_ms": NOW_MS - 4 * HOUR,
            "score": 7.0,
            "says": Said(
                "signal fell {} between {} and {}",
                "18\u00a0dB",
                At(NOW_MS - 5 * HOUR),
                TimeOf(NOW_MS - 4 * HOUR),
            ),
            "advice": Said("Antenna; bring one."),
            "decides": Said("Forward and reflected power at the radio."),
            "chart": chart,
        }
        one = Diagnosis(**(fields | change))
        self.named.append(one)
        return one

    def figure(self, one: Diagnosis) -> dict[str, Any]:
        answer = self.client.get(f"/findings/{one.key}/chart.json")
        assert answer.status_code == 200, answer.text
        found: dict[str, Any] = json.loads(answer.text)
        return found

    def page(self, one: Diagnosis) -> str:
        answer = self.client.get(f"/findings/{one.key}")
        assert answer.status_code == 200, answer.text
        return answer.text


@contextmanager
def evidence_world(folder: Path) -> Iterator[Evidence]:
    world = begin(folder, network())
    yield Evidence(world)
    world.database.close()


def shown(kind: Shown, back_ms: int = 8 * HOUR, **more: Any) -> ChartOf:
    return ChartOf(kind, NOW_MS - back_ms, **more)

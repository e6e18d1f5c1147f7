"""A small world with a meter that counted for 36 days, and a pond beside it."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from tests.routes.conftest import NOW_MS, World, begin

from tallymast import networks
from tallymast.domain.model import Outcome, Poll, PollFlag
from tallymast.files.shelf import Shelf
from tallymast.live import Live
from tallymast.routes.services import NetworkView
from tallymast.storage import schema
from tallymast.storage.engine import Database
from tallymast.storage.history import store_history
from tallymast.volume_keeper import VolumeKeeper

HOUR = 3_600_000
DAY = 24 * HOUR
EVERY_S = 1800
BEGUN_MS = NOW_MS - 36 * DAY  # 31 January 2026, 10:00 UTC
NETWORK = f"""
title = "One meter"
time_zone = "UTC"
contract_hour = 7
[[gateway]]
key = "mast"
name = "Mast"
transport = "rtu-over-tcp"
address = "127.0.0.1:5020"
[[profile]]
key = "meter"
  [[profile.point]]
  tag = "TOT1"
  name = "Total"
  kind = "totalizer"
  table = "input"
  register = 0
  layout = "uint32"
  max_rate = 2
  volume_per_pulse = 0.1
  volume_unit = "m³"
  [[profile.point]]
  tag = "RATE1"
  name = "Rate"
  kind = "rate"
  table = "input"
  register = 2
  layout = "uint16"
  unit = "m³/h"
  [[profile.point]]
  tag = "RST"
  name = "Restart counter"
  kind = "counter"
  table = "input"
  register = 3
  [[profile.point]]
  tag = "LVL"
  name = "Level"
  kind = "analog-input"
  table = "input"
  register = 4
  layout = "uint16"
  raw = [0, 1000]
  value = [0.0, 1.0]
  unit = "m"
[[site]]
key = "kestrel"
name = "Kestrel Pad"
gateway = "mast"
unit = 2
profile = "meter"
poll_every_s = {EVERY_S}
"""


def metered(tmp_path: Path, from_ms: int = BEGUN_MS, database: Database | None = None) -> World:
    """One pulse of 0.1 m³ every 10 s, so 36 m³/h and 864 m³ a day; the level climbs 0.1 m a day."""
    world = begin(tmp_path, NETWORK, database)
    plan = world.plan("kestrel")
    some = [
        _poll(plan.site_id, plan.layout.id, at_ms, _words(at_ms))
        for at_ms in range(from_ms, NOW_MS + 1, EVERY_S * 1000)
    ]
    store_history(world.database, plan.site_id, plan.layout, some)
    compute(world)
    return world


def reopened(database: Database, folder: Path) -> World:
    """Return the world of a database that was filled before."""
    whole, plan = networks.load_network(database)
    return World(database, Live(), NetworkView(whole, plan), Shelf(folder / "exports"))


def compute(world: World) -> None:
    """Have the hours that are due computed."""
    VolumeKeeper(world.database, lambda: world.view, lambda: world.now_ms, 0.0).look()


def point_id(world: World, tag: str = "TOT1") -> int:
    point = schema.point
    with world.database.reading() as conn:
        found = conn.execute(point.select().where(point.c.tag == tag)).one()
    return int(found.id)


def _words(at_ms: int) -> Sequence[int]:
    count = 1000 + (at_ms - BEGUN_MS) // 10_000
    level = 1000 + 100 * (at_ms - BEGUN_MS) // DAY % 1000
    return (count >> 16, count & 0xFFFF, 36, 3, level)


def _poll(site_id: int, layout_id: int, at_ms: int, words: Sequence[int]) -> Poll:
    body = np.array(words, ">u2").tobytes()
    return Poll(site_id, at_ms, Outcome.FIRST_TRY, PollFlag.NONE, 1, 140.0, layout_id, 1, 0, body)

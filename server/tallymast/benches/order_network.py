"""The network that orders are tried on: two sites of one gateway, outputs of every kind."""

from random import Random
from typing import Final

from tallymast.domain.orders.model import OrderKind, Wanted

SITE: Final = "booster"
UNIT: Final = 2

NETWORK: Final = """
title = "Two stations, ordered about"
time_zone = "UTC"

[[gateway]]
key = "mast"
name = "Mast"
transport = "rtu-over-tcp"
address = "{address}"
min_gap_ms = 0
reply_timeout_s = {timeout_s}
local_echo = {echo}

[[profile]]
key = "outputs"
  [[profile.point]]
  tag = "LVL"
  name = "Level"
  kind = "analog-input"
  table = "input"
  register = 0
  layout = "uint16"
  [[profile.point]]
  tag = "PUMP"
  name = "Pump"
  kind = "discrete-output"
  table = "coil"
  register = 8
  write = {{ table = "coil", register = 8, function = 15 }}
  [[profile.point]]
  tag = "LAMP"
  name = "Lamp"
  kind = "discrete-output"
  table = "coil"
  register = 24
  write = {{ table = "coil", register = 24, function = 5 }}
  [[profile.point]]
  tag = "RAISE"
  name = "Raise"
  kind = "pulse-output"
  table = "holding"
  register = 30
  layout = "uint16"
  write = {{ table = "holding", register = 30, function = 16 }}
  seconds_per_count = 0.1
  [[profile.point]]
  tag = "LOWER"
  name = "Lower"
  kind = "pulse-output"
  table = "holding"
  register = 50
  layout = "uint16"
  write = {{ table = "holding", register = 50, function = 6 }}
  seconds_per_count = 0.1
  [[profile.point]]
  tag = "SPEED"
  name = "Speed"
  kind = "analog-output"
  table = "holding"
  register = 70
  layout = "uint16"
  raw = [0, 1000]
  value = [0.0, 100.0]
  unit = "%"
  write = {{ table = "holding", register = 70, function = 16 }}

[[site]]
key = "booster"
name = "Booster"
gateway = "mast"
unit = 2
profile = "outputs"
poll_every_s = {every_s}

[[site]]
key = "tank"
name = "Tank"
gateway = "mast"
unit = 3
profile = "outputs"
poll_every_s = {every_s}
"""
TAGS: Final = ("PUMP", "LAMP", "RAISE", "LOWER", "SPEED")


def written(
    address: str, *, timeout_s: float = 1.0, every_s: float = 10.0, echo: bool = False
) -> str:
    """Return the network file's text."""
    return NETWORK.format(
        address=address, timeout_s=timeout_s, every_s=every_s, echo="true" if echo else "false"
    )


def some_order(chance: Random, tags: tuple[str, ...] = TAGS) -> tuple[str, Wanted]:
    """Draw an output and what is wanted of it."""
    tag = chance.choice(tags)
    if tag in ("RAISE", "LOWER"):
        return tag, Wanted(OrderKind.PULSE, None, float(chance.randint(20, 600)))
    if tag == "SPEED":
        return tag, Wanted(OrderKind.SETPOINT, float(chance.randint(1, 100)))
    is_on = chance.random() < 0.5
    return tag, Wanted(OrderKind.ON if is_on else OrderKind.OFF, float(is_on))

"""What every kept database holds: two invented gates, and what their polls brought.

Dumps made long ago are compared with what stands here, so nothing of it may ever change; a
new table's rows are added in ``fill.py``.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tallymast.domain.model import Block, Outcome, Poll, PollFlag, SiteLayout, Table

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
DAY_0 = 1_772_928_000_000  # 2026-03-08 00:00 UTC
DAY_1 = DAY_0 + DAY_MS
CHANGED_MS = DAY_0 + 7 * HOUR_MS  # from here on the level reads 0..3.5 m, before 0..5 m
NOW_MS = DAY_1 + 2 * HOUR_MS + 600_000  # hours up to here are closed, the first day is merged

NETWORK = """\
title = "Two gates, kept"
time_zone = "UTC"

[[gateway]]
key = "ridge"
name = "Ridge mast"
transport = "rtu-over-tcp"
address = "127.0.0.1:5020"

[[profile]]
key = "gate"

  [[profile.point]]
  tag = "LVL"
  kind = "analog-input"
  table = "input"
  register = 4
  layout = "uint16"
  raw = [4000, 20000]
  value = [0.0, 5.0]
  unit = "m"
  loop = "4-20mA"

  [[profile.point]]
  tag = "TOT"
  kind = "totalizer"
  table = "input"
  register = 5
  layout = "uint32"
  modulus = 1000000

  [[profile.point]]
  tag = "DOOR"
  kind = "discrete-input"
  table = "discrete"
  register = 0

[[site]]
key = "heron-gate"
name = "Heron Gate"
gateway = "ridge"
unit = 3
profile = "gate"

  [[site.point]]
  tag = "BATT"
  kind = "analog-input"
  table = "input"
  register = 10
  layout = "float32"
  unit = "V"

[[site]]
key = "stone-gate"
gateway = "ridge"
unit = 4
profile = "gate"
via = "heron-gate"
"""
NETWORK_LATER = NETWORK.replace("value = [0.0, 5.0]", "value = [0.0, 3.5]")
SITES = ("heron-gate", "stone-gate")


@dataclass(frozen=True)
class Visit:
    """What one poll found, as the station counts: the truth, before any layout."""

    at_ms: int
    outcome: Outcome
    level_ua: int
    total: int
    door: bool
    volts: float

    @property
    def level_m(self) -> float:
        """By hand: 4000..20000 microamps are 0..5 m, later 0..3.5 m."""
        return (self.level_ua - 4000) / 16000 * (5.0 if self.at_ms < CHANGED_MS else 3.5)


def visits(key: str) -> list[Visit]:
    """Return a site's visits, oldest first; in these hours and no others."""
    begins = {
        "heron-gate": (DAY_0 + 5 * HOUR_MS, DAY_0 + 6 * HOUR_MS, DAY_0 + 8 * HOUR_MS, DAY_1),
        "stone-gate": (DAY_0 + 6 * HOUR_MS,),
    }[key]
    hours = (*begins, DAY_1 + 2 * HOUR_MS)  # the last one is still open
    return [_visit(hour_ms + 300_000 * n + 17 * n) for hour_ms in hours for n in range(12)]


def _visit(at_ms: int) -> Visit:
    n = (at_ms - DAY_0) // 300_000
    outcome = (Outcome.NO_ANSWER, Outcome.RETRIED)[n % 2] if n % 5 == 0 else Outcome.FIRST_TRY
    level_ua = 4000 + 137 * n % 15_000
    return Visit(at_ms, outcome, level_ua, 99_000 + 31 * n, n % 4 == 1, 12.0 + n % 16 / 8)


def polls(found: Sequence[Visit], site_id: int, layout: SiteLayout) -> list[Poll]:
    """Return visits as polls of a layout; one without answer brings no words."""
    return [_poll(one, site_id, layout) for one in found]


def _poll(one: Visit, site_id: int, layout: SiteLayout) -> Poll:
    answered = one.outcome.is_answered
    return Poll(
        site_id=site_id,
        at_ms=one.at_ms,
        outcome=one.outcome,
        flags=PollFlag.NONE,
        tries=1 if one.outcome is Outcome.FIRST_TRY else 3,
        answer_ms=80.0 + one.at_ms % 90 / 10 if answered else None,
        layout_id=layout.id,
        got=2 ** len(layout.blocks) - 1 if answered else 0,
        code=0,
        words=b"".join(_words(one, block) for block in layout.blocks) if answered else b"",
    )


def _words(one: Visit, block: Block) -> bytes:
    if block.table is Table.DISCRETE:
        return int(one.door).to_bytes(2, "big")
    image = np.zeros(12, ">u2")
    image[4], image[5], image[6] = one.level_ua, one.total >> 16, one.total & 0xFFFF
    image[10:12] = np.array([one.volts], ">f4").view(">u2")
    return image[block.start : block.start + block.count].tobytes()

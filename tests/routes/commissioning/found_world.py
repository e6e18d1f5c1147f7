"""A small network with a station to be put into service: a spare, a repeater, a second mast."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from tests.routes.conftest import NOW_MS, World

from tallymast.domain import contact
from tallymast.domain.model import (
    Job,
    JobState,
    Outcome,
    Poll,
    PollDone,
    PollFlag,
    SiteStatus,
)
from tallymast.storage import jobs, proofs
from tallymast.storage.writer import Writer

FIRST, RETRIED, MISSED = Outcome.FIRST_TRY, Outcome.RETRIED, Outcome.NO_ANSWER

TEXT = """
title = "Ombrel Basin Water"
time_zone = "UTC"
contract_hour = 7

[[gateway]]
key = "mast"
name = "Marrowdun mast"
transport = "rtu-over-tcp"
address = "127.0.0.1:5020"

[[gateway]]
key = "scarp"
name = "Long Scarp mast"
transport = "rtu-over-tcp"
address = "127.0.0.1:5021"

[[profile]]
key = "tank"
name = "Tank"
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

  [[profile.point]]
  tag = "SIG"
  name = "Signal"
  kind = "signal"
  table = "input"
  register = 1
  layout = "int16"
  unit = "dBm"

[[profile]]
key = "pump"
name = "Pump <two>"
switches = {positions = 4, offset = 1, on_is = 0, first = "high"}

  [[profile.point]]
  tag = "RUN"
  name = "Run"
  kind = "discrete-input"
  table = "discrete"
  register = 0
  layout = "bool"

  [[profile.point]]
  tag = "P"
  name = "Pressure"
  kind = "analog-input"
  table = "holding"
  register = 900
  layout = "uint16"
  unit = "kPa"

[[site]]
key = "quill-tank"
name = "Quill Tank"
gateway = "mast"
unit = 19
profile = "tank"
cautions = ["open water"]
[site.supply]
kind = "solar"
chemistry = "agm"

[[site]]
key = "saddle"
name = "Saddle Repeater"
gateway = "mast"
unit = 40
profile = "tank"

[[site]]
key = "far-lateral"
name = "Far Lateral with a long name, lower headgate"
gateway = "mast"
unit = 8
profile = "tank"
via = "saddle"

[[site]]
key = "booster"
name = "Dunlin Booster"
gateway = "mast"
unit = 30
profile = "pump"
in_service = false

[[site]]
key = "old-tank"
name = "Old Tank"
gateway = "mast"
unit = 19
profile = "tank"
retired = 2025-11-02

[[site]]
key = "drip"
name = "Scarp Drip"
gateway = "scarp"
unit = 19
profile = "tank"
"""


def demanded(
    world: World, key: str, outcomes: Sequence[Outcome], ms: Sequence[float], *, from_ms: int
) -> None:
    """Record polls a second apart that a person asked for, with a signal about -80 dBm."""
    plan = world.plan(key)
    state = contact.first_state(plan.layout, SiteStatus.NEVER_ANSWERED, from_ms)
    patience = contact.patience(plan.site, world.gateway())
    writer = Writer(world.database)
    writer.start()
    for n, (outcome, took) in enumerate(zip(outcomes, ms, strict=True)):
        good = outcome.is_answered
        body = (9000).to_bytes(2, "big") + (-80 - n % 3).to_bytes(2, "big", signed=True)
        poll = Poll(
            plan.site_id,
            from_ms + 1000 * n,
            outcome,
            PollFlag.DEMAND,
            1 if outcome is FIRST else 3,
            took if good else None,
            plan.layout.id,
            int(good),
            0,
            body if good else b"",
        )
        state = contact.next_state(state, poll, plan.layout, patience)
        done = PollDone(poll, state)
        writer.put(done)
        world.live.publish_poll(done)
    assert writer.flush()
    writer.stop()


def link_test(
    world: World,
    outcomes: Sequence[Outcome],
    *,
    ms: Sequence[float] = (),
    key: str = "quill-tank",
    ago_ms: int = 400_000,
    wanted: int | None = None,
    state: JobState = JobState.DONE,
) -> Job:
    """Let a link test have been made; it began so long ago."""
    asked_ms = NOW_MS - ago_ms
    times = list(ms) or [180.0 + 7 * (n % 5) for n in range(len(outcomes))]
    demanded(world, key, outcomes, times, from_ms=asked_ms + 1000)
    with world.database.writing() as conn:
        made = jobs.ask(
            conn,
            "link-test",
            site_id=world.plan(key).site_id,
            actor="tess",
            at_ms=asked_ms,
            params={"polls": wanted or len(outcomes)},
        )
        done = len(outcomes) / (wanted or len(outcomes))
        jobs.update(conn, made.id, state, done, "", asked_ms + 1000 * (len(outcomes) + 1))
    return made


def newest_job(world: World, kind: str) -> Job:
    with world.database.reading() as conn:
        return jobs.newest(conn, kind, 1)[0]


def heard(world: World, rows: Sequence[Mapping[str, Any]], state: JobState = JobState.DONE) -> Job:
    """Let the newest scan have found rows, as the poller writes them."""
    scan = newest_job(world, "scan")
    with world.database.writing() as conn:
        jobs.add_rows(conn, scan.id, list(enumerate(rows)))
        part = len(rows) / len(scan.params["units"])
        jobs.update(conn, scan.id, state, part, "", NOW_MS - 5000)
    return replace(scan, state=state)


def row(unit: int, said: str, **more: Any) -> dict[str, Any]:
    """A row of a scan as the poller writes it."""
    took = None if said == "silence" else 84.1
    return {
        "unit": unit,
        "heard": said,
        "code": 2 if said == "refusal" else 0,
        "ms": took,
        "site": None,
        "profiles": {},
        **more,
    }


def fits(**blocks: tuple[int, int]) -> dict[str, dict[str, int]]:
    """Profiles of a row: blocks asked and answered."""
    return {key: {"asked": asked, "answered": got} for key, (asked, got) in blocks.items()}


def open_record(world: World, key: str = "quill-tank") -> proofs.Proof:
    with world.database.writing() as conn:
        site_id = world.plan(key).site_id
        return proofs.begin(conn, site_id, "commissioning", actor="tess", at_ms=NOW_MS - 60_000)

"""Meters whose hours are written by hand: 100 pulses an hour where nothing else is said.

A pulse of Hobby and Kestrel Pad is half a cubic metre, one of Fen Gas a thousand cubic feet.
"""

from dataclasses import dataclass, field, replace
from pathlib import Path

from starlette.testclient import TestClient
from tests.routes.conftest import World, begin

from tallymast.domain.totals.model import CountStep, Step, StepKind
from tallymast.domain.totals.segments import Segment
from tallymast.routes.app import create_app
from tallymast.storage import volume_hours
from tallymast.storage.engine import Database
from tallymast.storage.volume_hours import Counted, Worked
from tallymast.storage.volume_keeping import counted_points

HOUR = 3_600_000
DAY = 24 * HOUR
MARCH_2 = 1_772_434_800_000  # 2026-03-02 07:00 UTC, where a contract day begins
NOW_MS = MARCH_2 + 3 * DAY + 5 * HOUR + 600_000  # 2026-03-05 12:10 UTC

POINT = """
  [[profile.point]]
  tag = "TOT"
  name = "Total"
  kind = "totalizer"
  table = "input"
  register = 0
  layout = "uint16"
  max_rate = 2
  {more}
"""
RESTARTS = """
  [[profile.point]]
  tag = "RST"
  name = "Restart counter"
  kind = "counter"
  table = "input"
  register = 1
"""
SITE = """
[[site]]
key = "{key}"
name = "{name}"
area = "{area}"
gateway = "mast"
unit = {unit}
profile = "{profile}"
poll_every_s = 60
"""
METERS = (
    'title = "Meters"\ntime_zone = "{zone}"\ncontract_hour = 7\n'
    '[[gateway]]\nkey = "mast"\nname = "Mast"\ntransport = "rtu-over-tcp"\n'
    'address = "127.0.0.1:5020"\n[[profile]]\nkey = "meter"\n'
    + POINT.format(more='volume_per_pulse = 0.5\n  volume_unit = "m³"')
    + RESTARTS
    + '\n[[profile]]\nkey = "gas"\n'
    + POINT.format(more='volume_per_pulse = 1\n  volume_unit = "Mcf"')
    + SITE.format(key="hobby-pad", name="Hobby Pad", area="Leases", unit=1, profile="meter")
    + SITE.format(key="kestrel-pad", name="=Kestrel", area="Leases", unit=2, profile="meter")
    + SITE.format(key="fen-gas", name="Fen Gas", area="Fen", unit=3, profile="gas")
    + SITE.format(key="fen-water", name="Fen Water", area="Fen", unit=4, profile="meter")
)


@dataclass
class Meters:
    """The world, and who asks it."""

    world: World
    client: TestClient = field(init=False)

    def __post_init__(self) -> None:
        self.client = TestClient(create_app(self.world.services()))

    def counted(self, key: str) -> Counted:
        gateway = self.world.view.gateways[0].gateway
        with self.world.database.reading() as conn:
            (one,) = counted_points(conn, gateway, self.world.plan(key))
        return one

    def hours(
        self, key: str, from_ms: int, to_ms: int, *odd: Segment, events: tuple[CountStep, ...] = ()
    ) -> None:
        """Keep whole hours of 100 pulses, other ones where ``odd`` says so."""
        instead = {one.from_ms: one for one in odd}
        plain = [
            Segment(at, at + HOUR, 100.0, known_ms=HOUR, open=_count(at), close=_count(at + HOUR))
            for at in range(from_ms, to_ms, HOUR)
        ]
        some = tuple(instead.get(one.from_ms, one) for one in plain)
        with self.world.database.writing() as conn:
            volume_hours.put(conn, self.counted(key).point_id, Worked(from_ms, to_ms, some, events))


def _count(at_ms: int) -> float:
    return (at_ms - MARCH_2) / HOUR * 100.0


def meters(tmp_path: Path, zone: str = "UTC", database: Database | None = None) -> Meters:
    world = begin(tmp_path, METERS.replace("{zone}", zone), database)
    world.now_ms = NOW_MS
    return Meters(world)


def restarted(from_ms: int, minutes: int, unknown: float) -> CountStep:
    """A counter that fell from 48 112 to 7."""
    step = Step(StepKind.RESET, 7.0, unknown)
    return CountStep(from_ms, from_ms + minutes * 60_000, 48_112, 7, step)


def dark(one: Segment, minutes: int, unknown: float) -> Segment:
    """An hour of which some minutes are not known."""
    return replace(one, known_ms=one.span_ms - minutes * 60_000, unknown=unknown)

"""Alarms of the small world as they stand: hand-made, and stored as the keeper stores them."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from tests.routes.conftest import NOW_MS, World

from tallymast.domain.alarms.model import (
    Alarm,
    Alarms,
    AlarmState,
    Condition,
    Entry,
    Event,
    Kind,
    Standing,
    Step,
)
from tallymast.domain.alarms.rationalised import with_words
from tallymast.domain.model import Priority
from tallymast.routes.services import Services
from tallymast.storage import alarms, rationalised

MINUTE = 60_000
A, B = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED
C, D = AlarmState.ACKNOWLEDGED, AlarmState.RETURNED
HIGH = Alarm(
    "quill-tank/LVL/high",
    Kind.HIGH,
    Priority.HIGH,
    "quill-tank",
    "LVL",
    limit=4.5,
    deadband=0.1,
    on_delay_s=60,
    off_delay_s=60,
    rationale="The tank overflows onto the road.",
    consequence="Water is lost and the road washes out.",
    response="Stop the filling pump; send somebody if it runs on.",
)
HATCH = Alarm(
    "quill-tank/HATCH/state",
    Kind.STATE,
    Priority.NORMAL,
    "quill-tank",
    "HATCH",
    call_when="open",
    response="Ask who is there; close the hatch.",
)
SILENT = Alarm("osier-pond//comm-fail", Kind.COMM_FAIL, Priority.URGENT, "osier-pond")
LOW = Alarm("osier-pond/LVL/low", Kind.LOW, Priority.HIGH, "osier-pond", "LVL", limit=1.0)
GATEWAY = Alarm("/gateway/mast", Kind.GATEWAY, Priority.URGENT, gateway="mast")
ALL = (HIGH, HATCH, SILENT, LOW, GATEWAY)


def raised(minutes: int, value: str = "", state: AlarmState = B) -> Standing:
    """Abnormal for so long, judged 5 s ago."""
    at_ms = NOW_MS - minutes * MINUTE
    return Standing(state, Condition.ABNORMAL, raised_ms=at_ms, seen_ms=NOW_MS - 5000, value=value)


def normal() -> Standing:
    """Judged 5 s ago, and nothing is wrong."""
    return Standing(condition=Condition.NORMAL, seen_ms=NOW_MS - 5000)


@dataclass
class Told:
    """The alarms a page is handed, and ways to let them stand otherwise."""

    world: World
    set_up: dict[str, Alarm] = field(default_factory=dict)
    blind: str = ""

    def now(self) -> Alarms:
        """Every alarm as it is stored, as the keeper would hand them out."""
        with self.world.database.reading() as connection:
            words = rationalised.in_force(connection)
            made = {one.key: one for one in with_words(self.set_up.values(), words)}
            return Alarms(made, alarms.load(connection))

    def services(self, viewing: str = "open") -> Services:
        given = self.world.services(viewing)
        return replace(given, alarms=self.now, blind=lambda: self.blind)

    def stands(self, alarm: Alarm, standing: Standing, *entries: Entry) -> None:
        """Let an alarm stand so; store it, and wake who follows."""
        self.stand({alarm: Step(standing, entries)})

    def stand(self, steps: Mapping[Alarm, Step]) -> None:
        """Let several stand so."""
        self.set_up |= {alarm.key: alarm for alarm in steps}
        with self.world.database.writing() as connection:
            alarms.keep(connection, {one.key: step for one, step in steps.items()}, NOW_MS)
        self.world.live.publish_gateway(next(iter(self.world.live.gateways().values())))

    def number(self, alarm: Alarm) -> int:
        with self.world.database.reading() as connection:
            return alarms.ids(connection)[alarm.key]


def told(world: World) -> Told:
    """All five alarms, normal."""
    made = Told(world)
    made.stand({alarm: Step(normal()) for alarm in ALL})
    return made


def entry(alarm: Alarm, event: Event, minutes: int, before: AlarmState, after: AlarmState) -> Entry:
    """A line of the journal, so long ago."""
    return Entry(NOW_MS - minutes * MINUTE, alarm.key, event, before, after)

"""Points of stations drawn at random: tanks, meters, pumps, gates, with or without signal.

A tenth has no point for its signal, a tenth none for its supply; most count their restarts; a
voltmeter shows steps of 0.01 or of 0.1 V.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from numpy.random import Generator

from tallymast.domain.model import Point, PointKind, Table, WordLayout

LOOP = "4-20mA"
_WITHOUT_SIGNAL, _WITHOUT_SUPPLY, _WITHOUT_COUNTER = 0.1, 0.1, 0.15
_WITH_TEMPERATURE = 0.4


@dataclass
class _Registers:
    """Gives every point the next free input register."""

    next: int = 0

    def point(
        self, tag: str, name: str, kind: PointKind, layout: WordLayout, **more: object
    ) -> Point:
        length = 2 if layout in (WordLayout.UINT32, WordLayout.FLOAT32) else 1
        made = Point(tag, name, kind, Table.INPUT, self.next, layout, length=length, **more)  # type: ignore[arg-type]
        self.next += length
        return made

    def loop(self, tag: str, name: str, top: float, unit: str) -> Point:
        return self.point(
            tag,
            name,
            PointKind.ANALOG_INPUT,
            WordLayout.UINT16,
            loop=LOOP,
            raw=(4000.0, 20000.0),
            value=(0.0, top),
            unit=unit,
        )


def draw_points(chance: Generator, make: str) -> tuple[Point, ...]:
    """Return a station's points.

    Args:
        chance: draws them.
        make: ``tank``, ``meter``, ``pump``, ``gate`` or ``repeater``.

    """
    registers = _Registers()
    own = list(_MAKES[make](registers, chance))
    if chance.random() >= _WITHOUT_SUPPLY:
        own.append(_volts(registers, 100.0 if chance.random() < 0.6 else 10.0))
    if chance.random() >= _WITHOUT_SIGNAL:
        kind, layout = PointKind.SIGNAL, WordLayout.INT16
        own.append(registers.point("RSSI", "Signal", kind, layout, unit="dBm"))
    if chance.random() >= _WITHOUT_COUNTER:
        own.append(registers.point("STARTS", "Restarts", PointKind.COUNTER, WordLayout.UINT16))
    if chance.random() < _WITH_TEMPERATURE:
        kind, layout = PointKind.TEMPERATURE, WordLayout.INT16
        tenths = {"raw": (0.0, 10.0), "value": (0.0, 1.0), "unit": "°C"}
        own.append(registers.point("TEMP", "Enclosure temperature", kind, layout, **tenths))
    return tuple(own)


def _volts(registers: _Registers, steps: float) -> Point:
    return registers.point(
        "VBAT",
        "Supply voltage",
        PointKind.SUPPLY_VOLTAGE,
        WordLayout.UINT16,
        raw=(0.0, steps),
        value=(0.0, 1.0),
        unit="V",
    )


def _tank(registers: _Registers, chance: Generator) -> Sequence[Point]:
    contact = Point(
        "FLOAT",
        "High float",
        PointKind.DISCRETE_INPUT,
        Table.DISCRETE,
        0,
        WordLayout.BOOL,
        words=("dry", "wet"),
    )
    points = [contact, registers.loop("LVL", "Level", float(chance.uniform(2.0, 8.0)), "m")]
    if chance.random() < 0.5:
        points.append(registers.loop("PRESS", "Line pressure", 1000.0, "kPa"))
    return points


def _meter(registers: _Registers, chance: Generator) -> Sequence[Point]:
    wide = chance.random() < 0.7
    total = registers.point(
        "TOT1",
        "Total",
        PointKind.TOTALIZER,
        WordLayout.UINT32 if wide else WordLayout.UINT16,
        max_rate=50.0 if wide else 2.0,
        modulus=None if wide else 65_536,
        volume_per_pulse=0.1,
        volume_unit="m³",
    )
    rate = registers.point("RATE1", "Rate", PointKind.RATE, WordLayout.FLOAT32, unit="m³/h")
    return total, rate


def _pump(registers: _Registers, chance: Generator) -> Sequence[Point]:
    del chance
    run = Point(
        "RUN",
        "Pump",
        PointKind.DISCRETE_INPUT,
        Table.DISCRETE,
        0,
        WordLayout.BOOL,
        words=("stopped", "running"),
    )
    pressure = registers.loop("PRESS", "Delivery pressure", 1000.0, "kPa")
    total = registers.point(
        "TOT1", "Pumped volume", PointKind.TOTALIZER, WordLayout.UINT32, max_rate=10.0
    )
    hours = registers.point("HOURS", "Run time", PointKind.DURATION, WordLayout.UINT32, unit="h")
    return run, pressure, total, hours


def _gate(registers: _Registers, chance: Generator) -> Sequence[Point]:
    """A gate's position stands still for most of a day: that is no fault."""
    position = registers.point(
        "POS",
        "Position",
        PointKind.ANALOG_INPUT,
        WordLayout.UINT16,
        raw=(0.0, 1000.0),
        value=(0.0, 100.0),
        unit="%",
    )
    return position, registers.loop("LVL", "Pool level", float(chance.uniform(1.5, 4.0)), "m")


def _repeater(registers: _Registers, chance: Generator) -> Sequence[Point]:
    del registers, chance
    return (
        Point(
            "DOOR",
            "Cabinet door",
            PointKind.DISCRETE_INPUT,
            Table.DISCRETE,
            0,
            WordLayout.BOOL,
            words=("shut", "open"),
        ),
    )


_MAKES: dict[str, Callable[[_Registers, Generator], Sequence[Point]]] = {
    "tank": _tank,
    "meter": _meter,
    "pump": _pump,
    "gate": _gate,
    "repeater": _repeater,
}

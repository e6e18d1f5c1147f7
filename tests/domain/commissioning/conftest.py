"""Points and steps to prove, invented."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from tallymast.domain.commissioning.steps import Phase, Result, Step, StepKind
from tallymast.domain.model import Point, PointKind, Table, WordLayout

LEVEL = Point(
    "LVL",
    "Level",
    PointKind.ANALOG_INPUT,
    Table.INPUT,
    4,
    WordLayout.UINT16,
    raw=(4000.0, 20_000.0),
    value=(0.0, 6.0),
    unit="m",
    loop="4-20mA",
)
VOLTS = Point(
    "VBAT",
    "Supply voltage",
    PointKind.SUPPLY_VOLTAGE,
    Table.INPUT,
    10,
    WordLayout.UINT16,
    raw=(0.0, 100.0),
    value=(0.0, 1.0),
    unit="V",
)
HATCH = Point(
    "HATCH",
    "Hatch",
    PointKind.DISCRETE_INPUT,
    Table.INPUT,
    0,
    WordLayout.BOOL,
    bit=0,
    words=("shut", "open"),
)


@pytest.fixture
def level() -> Point:
    return LEVEL


@pytest.fixture
def volts() -> Point:
    return VOLTS


@pytest.fixture
def hatch() -> Point:
    return HATCH


@pytest.fixture
def step() -> Callable[..., Step]:
    """Makes a step of which only some things matter."""
    plain = Step(1, "LVL", StepKind.CHECK, Phase.AS_FOUND, Result.PASS, 1000, "r.hale")
    return lambda **change: replace(plain, **change)

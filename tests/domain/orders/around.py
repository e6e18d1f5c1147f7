"""A pump, a gate and a weir with set-point, and all that is known around one of their outputs."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from tallymast.domain.modbus.blocks import site_layout
from tallymast.domain.model import (
    Block,
    FailSafe,
    Feedback,
    GatewayState,
    GatewayStatus,
    Interlock,
    Point,
    PointKind,
    Quality,
    Reading,
    Site,
    SitePlan,
    SiteState,
    SiteStatus,
    Table,
    WordLayout,
    WriteTarget,
)
from tallymast.domain.orders.model import Order, OrderKind, OrderState, TagOut, Wanted
from tallymast.domain.orders.rules import Situation

NOW = 1_772_953_200_000  # 2026-03-08 07:00:00 UTC
S, MIN = 1000, 60_000
ON, OFF = Wanted(OrderKind.ON, 1.0), Wanted(OrderKind.OFF, 0.0)


def pulse(seconds: float) -> Wanted:
    return Wanted(OrderKind.PULSE, None, seconds)


def setpoint(value: float) -> Wanted:
    return Wanted(OrderKind.SETPOINT, value)


def contact(tag: str, name: str, register: int, *words: str) -> Point:
    kind, table = PointKind.DISCRETE_INPUT, Table.DISCRETE
    return Point(tag, name, kind, table, register, WordLayout.BOOL, words=(words[0], words[1]))


RUN = contact("RUN", "Running", 0, "stopped", "running")
AUTO = contact("AUTO", "Selector", 1, "hand or off", "auto")
FAULT = contact("FAULT", "Motor protection", 2, "healthy", "tripped")
START = Point(
    "START",
    "Pump",
    PointKind.DISCRETE_OUTPUT,
    Table.COIL,
    0,
    WordLayout.BOOL,
    words=("off", "on"),
    write=WriteTarget(Table.COIL, 0, 15),
    fail_safe=FailSafe("off", 120),
    feedback=Feedback("RUN", 30),
    interlock=Interlock("FAULT", "==", 0),
    auto="AUTO",
    min_off_s=300,
    starts_per_hour=6,
)
LAMP = replace(
    START,
    tag="LAMP",
    name="Yard lamp",
    register=1,
    write=WriteTarget(Table.COIL, 1, 5),
    fail_safe=None,
    feedback=None,
    interlock=None,
    auto=None,
    min_off_s=None,
    starts_per_hour=None,
)
POS = Point(
    "POS",
    "Gate opening",
    PointKind.ANALOG_INPUT,
    Table.HOLDING,
    0,
    WordLayout.UINT16,
    raw=(0, 1000),
    value=(0.0, 100.0),
    unit="%",
)
OPENED = contact("OPENED", "Upper limit contact", 3, "clear", "reached")
RAISE = Point(
    "RAISE",
    "Raise",
    PointKind.PULSE_OUTPUT,
    Table.HOLDING,
    30,
    WordLayout.UINT16,
    write=WriteTarget(Table.HOLDING, 30, 16),
    seconds_per_count=0.1,
    max_s=60,
    fail_safe=FailSafe("hold", 600),
    feedback=Feedback("POS", 120),
    interlock=Interlock("OPENED", "==", 0),
)
LOWER = replace(
    RAISE,
    tag="LOWER",
    name="Lower",
    register=31,
    write=WriteTarget(Table.HOLDING, 31, 16),
    interlock=None,
)
SET = Point(
    "SET",
    "Weir crest",
    PointKind.ANALOG_OUTPUT,
    Table.HOLDING,
    32,
    WordLayout.UINT16,
    raw=(0, 1000),
    value=(0.0, 100.0),
    unit="%",
    write=WriteTarget(Table.HOLDING, 32, 6),
    set_range=(10.0, 90.0),
    set_rate=20.0,
)
POINTS = (RUN, AUTO, FAULT, START, LAMP, POS, OPENED, RAISE, LOWER, SET)
QUIET: Mapping[str, float | bool] = {
    "RUN": False,
    "AUTO": True,
    "FAULT": False,
    "START": False,
    "LAMP": False,
    "POS": 34.0,
    "OPENED": False,
    "RAISE": 0.0,
    "LOWER": 0.0,
    "SET": 50.0,
}
BLOCKS = (
    Block(Table.DISCRETE, 0, 4),
    Block(Table.COIL, 0, 2),
    Block(Table.HOLDING, 0, 1),
    Block(Table.HOLDING, 30, 3),
)
IDS = {point.tag: n for n, point in enumerate(POINTS, 101)}


def site(**changed: Any) -> Site:
    made = Site(
        key="dunlin-booster",
        name="Dunlin Booster",
        gateway="marrowdun",
        unit=2,
        profile="pump",
        points=POINTS,
        max_words=24,
        spare=(),
        reply_timeout_s=2.0,
        retries=2,
        turnaround_ms=20.0,
        miss_limit=3,
        poll_every_s=10.0,
    )
    return replace(made, **changed)


def plan(of: Site | None = None) -> SitePlan:
    made = of or site()
    return SitePlan(7, made, site_layout(1, 7, made.points, IDS, BLOCKS))


def reading(tag: str, value: float | bool | None, age_ms: int = 2 * S) -> Reading:
    quality = Quality.NONE if value is None else Quality.GOOD
    return Reading(tag, value, value, quality, NOW - age_ms, "" if value is not None else "no word")


def state(**changed: Any) -> SiteState:
    made = SiteState(7, SiteStatus.IN_SERVICE, NOW - 9 * MIN, 1, NOW - 2 * S, NOW - 2 * S)
    return replace(made, **changed)


def around(point: Point = START, **changed: Any) -> Situation:
    """Return a situation in which everything about a point may be ordered."""
    made = Situation(
        plan=plan(),
        point=point,
        readings={tag: reading(tag, value) for tag, value in QUIET.items()},
        state=state(),
        gateway=GatewayState(1, GatewayStatus.CONNECTED, NOW - 9 * MIN),
        tags=(),
        recent=(),
        off_since_ms=NOW - 20 * MIN,
        starts_last_hour=2,
        storage_words="",
        visitors=(),
        now_ms=NOW,
    )
    return replace(made, **changed)


def with_reading(situation: Situation, *changed: Reading) -> Situation:
    readings = {**situation.readings, **{one.tag: one for one in changed}}
    return replace(situation, readings=readings)


def order(
    wanted: Wanted = ON,
    age_ms: int = 10 * MIN,
    state: OrderState = OrderState.CONFIRMED,
    **more: Any,
) -> Order:
    """Return an order that was made and sent ``age_ms`` ago."""
    at = NOW - age_ms
    made = Order(
        id=1,
        request_key="k",
        made_ms=at,
        actor="Ada",
        account_id=None,
        site_id=7,
        point_id=IDS["START"],
        tag="START",
        wanted=wanted,
        seen="off",
        seen_ms=at,
        state=state,
        state_ms=at,
        expires_ms=at + 30 * S,
        sent_ms=at,
    )
    return replace(made, **more)


def tag_out(**changed: Any) -> TagOut:
    made = TagOut(
        1, 7, IDS["START"], "START", "Bea", None, NOW - 26 * 60 * MIN, "lifting chain replaced"
    )
    return replace(made, **changed)

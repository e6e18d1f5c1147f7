"""A small network and what is known of it, for tests of what alarms see."""

from dataclasses import replace

from tallymast.domain.alarms.conditions import Around
from tallymast.domain.health.attention import Standing as SiteStanding
from tallymast.domain.modbus.blocks import site_layout
from tallymast.domain.model import (
    Act,
    Block,
    Chemistry,
    GatewayState,
    GatewayStatus,
    Limits,
    Point,
    PointKind,
    Priority,
    Quality,
    Reading,
    Site,
    SitePlan,
    SiteState,
    SiteStatus,
    Supply,
    SupplyKind,
    Table,
    WordLayout,
)

NOW = 1_772_953_200_000
READ = NOW - 20_000

LEVEL = Point(
    "LVL",
    "Level",
    PointKind.ANALOG_INPUT,
    Table.INPUT,
    0,
    WordLayout.UINT16,
    raw=(4000, 20000),
    value=(0.0, 6.0),
    unit="m",
    loop="4-20mA",
    limits=Limits(0.8, 1.5, 5.6, 5.8),
    priority=Priority.HIGH,
)
DOOR = Point(
    "DOOR",
    "Door",
    PointKind.DISCRETE_INPUT,
    Table.DISCRETE,
    0,
    WordLayout.BOOL,
    words=("shut", "open"),
    alarm_when="open",
)
VOLTS = Point("VOLT", "Supply", PointKind.SUPPLY_VOLTAGE, Table.INPUT, 1, WordLayout.UINT16)
POINTS = (LEVEL, DOOR, VOLTS)


def site(key: str = "upper-weir", **more: object) -> Site:
    name = key.replace("-", " ").title()
    made = Site(key, name, "scarp", 1, "tank", POINTS, 125, (), 2.0, 2, 20.0, 3)
    return replace(made, **more)  # type: ignore[arg-type]


def state(status: SiteStatus = SiteStatus.IN_SERVICE, **more: object) -> SiteState:
    made = SiteState(1, status, NOW - 3_600_000, 1, READ, READ)
    return replace(made, **more)  # type: ignore[arg-type]


def reading(tag: str, value: float | bool | None, **more: object) -> Reading:
    quality = Quality.NONE if value is None else Quality.GOOD
    made = Reading(tag, value, value, quality, READ)
    return replace(made, **more)  # type: ignore[arg-type]


def standing(
    of: Site,
    *readings: Reading,
    known: SiteState | None = None,
    status: SiteStatus | None = None,
    act: Act = Act.NONE,
    refused: tuple[str, ...] = (),
) -> SiteStanding:
    places = {"LVL": 1, "DOOR": 2, "VOLT": 3}
    layout = site_layout(
        1, 1, POINTS, places, (Block(Table.INPUT, 0, 2), Block(Table.DISCRETE, 0, 1))
    )
    known = known or state()
    plan = SitePlan(1, of, layout, act=act, refused=refused)
    by_tag = {one.tag: one for one in readings}
    return SiteStanding(plan, known, known.status if status is None else status, by_tag)


def around(*sites: SiteStanding, gateway: GatewayStatus = GatewayStatus.CONNECTED) -> Around:
    return Around(
        NOW,
        {one.plan.site.key: one for one in sites},
        {"scarp": GatewayState(1, gateway, NOW - 60_000)},
        {"scarp": "Long Scarp mast"},
    )


def supply(**more: object) -> Supply:
    made = Supply(SupplyKind.SOLAR, Chemistry.AGM)
    return replace(made, **more)  # type: ignore[arg-type]

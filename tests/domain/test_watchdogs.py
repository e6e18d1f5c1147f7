"""Which outputs fall back when nobody polls: what would change, and only after its time."""

from dataclasses import replace

import pytest

from tallymast.domain.modbus.blocks import site_layout
from tallymast.domain.model import (
    Block,
    FailSafe,
    Point,
    PointKind,
    Site,
    SitePlan,
    SiteState,
    SiteStatus,
    Table,
    WordLayout,
    WriteTarget,
)
from tallymast.domain.watchdogs import at_stake, fallen, falling

NOW_MS = 1_772_953_200_000


def output(tag: str, register: int, state: str | None) -> Point:
    return Point(
        tag,
        tag.title(),
        PointKind.DISCRETE_OUTPUT,
        Table.COIL,
        register,
        WordLayout.BOOL,
        write=WriteTarget(Table.COIL, register, 15),
        fail_safe=FailSafe(state, 120.0) if state else None,  # type: ignore[arg-type]
    )


POINTS = (output("START", 0, "off"), output("VENT", 1, "on"), output("GATE", 2, "hold"))


@pytest.fixture
def plan() -> SitePlan:
    site = Site("well", "Well", "mast", 1, "pump", POINTS, 125, (), 2.0, 2, 20.0, 3)
    layout = site_layout(
        1, 1, POINTS, {"START": 1, "VENT": 2, "GATE": 3}, (Block(Table.COIL, 0, 3),)
    )
    return SitePlan(1, site, layout)


def state(bits: int, ago_s: float) -> SiteState:
    at_ms = NOW_MS - round(1000 * ago_s)
    return SiteState(
        1,
        SiteStatus.IN_SERVICE,
        at_ms,
        1,
        at_ms,
        at_ms,
        (bits.to_bytes(2, "big"),),
        (at_ms,),
    )


def test_what_holds_does_not_fall(plan: SitePlan) -> None:
    assert [(one.point.tag, one.to, one.after_s) for one in falling(plan)] == [
        ("START", "off", 120.0),
        ("VENT", "on", 120.0),
    ]


@pytest.mark.parametrize(
    ("bits", "tags"),
    [(0b000, ["VENT"]), (0b001, ["START", "VENT"]), (0b010, []), (0b011, ["START"])],
)
def test_only_what_would_change_is_at_stake(plan: SitePlan, bits: int, tags: list[str]) -> None:
    assert [one.point.tag for one in at_stake(plan, state(bits, 5.0))] == tags


def test_it_has_fallen_only_after_its_time(plan: SitePlan) -> None:
    assert fallen(plan, state(0b011, 119.0), NOW_MS) == ()
    assert [one.point.tag for one in fallen(plan, state(0b011, 121.0), NOW_MS)] == ["START"]


def test_where_nothing_is_known_nothing_is_claimed(plan: SitePlan) -> None:
    assert at_stake(plan, None) == ()
    assert fallen(plan, None, NOW_MS) == ()
    other = replace(state(0b011, 500.0), layout_id=99)
    assert fallen(plan, other, NOW_MS) == ()

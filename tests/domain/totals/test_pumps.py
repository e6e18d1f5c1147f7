"""Which points of a site belong to which of its pumps. The names are ours, as people write them."""

from dataclasses import replace
from pathlib import Path

import pytest

from tallymast.domain import network_file
from tallymast.domain.model import (
    Feedback,
    Point,
    PointKind,
    Site,
    Table,
    WordLayout,
)
from tallymast.domain.totals.pumps import may_be_added, pumps_at, pumps_of

DEMO = Path(__file__).parents[3] / "demo_data" / "ombrel-basin.toml"
KINDS = {
    "state": PointKind.DISCRETE_INPUT,
    "hours": PointKind.DURATION,
    "starts": PointKind.COUNTER,
    "output": PointKind.DISCRETE_OUTPUT,
}
Told = tuple[str, str, str, str]  # the pump, its state, hours and starts


def site_of(*some: str) -> Site:
    """A site of points written ``kind: name``; an output's ``-> 0`` names what proves it."""
    _, network = network_file.read(DEMO.read_text(encoding="utf-8"), DEMO.name)
    points = []
    for n, one in enumerate(some):
        kind, _, rest = one.partition(": ")
        name, _, proof = rest.partition(" -> ")
        plain = Point(f"T{n}", name, KINDS[kind], Table.INPUT, n, WordLayout.UINT16)
        proven = Feedback(f"T{proof}", 30) if proof else None
        points.append(replace(plain, feedback=proven))
    return replace(network.sites[0], points=tuple(points))


def told(site: Site) -> list[Told]:
    return [
        (pump.name, *(one.name if one else "" for one in (pump.state, pump.hours, pump.starts)))
        for pump in pumps_of(site)
    ]


def test_a_pumps_points_belong_together_by_what_remains_of_their_names() -> None:
    site = site_of(
        "state: Pump 1 running",
        "state: PUMP No. 2 RUNNING",
        "starts: Starts of pump 02",
        "hours: Pump 1 hours",
        "hours: Motor 2 total hours run",
        "starts: Pump 1 starts",
        "starts: Restart counter",
    )
    assert told(site) == [
        ("Pump 1", "Pump 1 running", "Pump 1 hours", "Pump 1 starts"),
        ("PUMP No. 2", "PUMP No. 2 RUNNING", "Motor 2 total hours run", "Starts of pump 02"),
    ]
    assert pumps_at(site).left_out == ()


@pytest.mark.parametrize(
    "some",
    [
        ("state: Running", "hours: Hours run", "starts: Motor starts", "output: Pump -> 0"),
        ("state: Well 3 running", "hours: Pump 1 hours", "starts: Booster starts"),
        ("state: Pump running", "hours: Hours run", "starts: Starts", "hours: Engine hours"),
        ("state: Pump running", "hours: Engine hours", "starts: Starts", "state: Pump dry run"),
        ("state: Aux", "hours: Hours", "starts: Starts", "output: Go -> 0", "state: Valve open"),
    ],
)
def test_the_only_pump_has_all_points_together_whatever_they_are_called(
    some: tuple[str, ...],
) -> None:
    first = [said.partition(": ")[2] for said in some[:3]]
    assert told(site_of(*some)) == [("", *first)]
    assert pumps_at(site_of(*some)).left_out == ()


def test_an_outputs_link_says_of_which_pump_a_contact_is() -> None:
    site = site_of(
        "state: Contact 7",
        "state: Running",
        "hours: Pump A hours",
        "hours: B hours",
        "output: Start pump A -> 0",
        "output: Pump B -> 1",
        "state: Pump A dry run",
        "state: Pump C stopped",
        "output: Stop pump C -> 7",
    )
    assert told(site) == [
        ("Pump A", "Contact 7", "Pump A hours", ""),
        ("Pump B", "Running", "B hours", ""),
    ]


def test_a_count_that_may_be_of_several_pumps_or_of_none_is_left_out() -> None:
    site = site_of(
        "state: Pump 1 running",
        "state: Pump 2 running",
        "hours: Hours run",
        "hours: Pump 1 hours since service",
        "starts: Pump 2 starts",
        "starts: Pump 2 cycles",
        "hours: Pump 3 hours",
    )
    assert told(site) == [
        ("Pump 1", "Pump 1 running", "", ""),
        ("Pump 2", "Pump 2 running", "", ""),
        ("Pump 3", "", "Pump 3 hours", ""),
    ]
    found = pumps_at(site)
    assert [one.why for one in found.left_out] == [
        "Hours run is left out: it does not say of which pump it is.",
        "Pump 1 hours since service is left out: it is not named as one of the pumps is.",
        "Pump 2 starts is left out: Pump 2 cycles counts the same of Pump 2.",
        "Pump 2 cycles is left out: Pump 2 starts counts the same of Pump 2.",
    ]
    assert [one.name for one in found.starts] == ["Pump 2 starts", "Pump 2 cycles"]
    states = ("state: Pump 1 running", "state: Pump 2 running")
    (out,) = pumps_at(site_of(*states, "output: Pump 1 -> 1", "hours: Pump 1 hours")).left_out
    assert out.why == "Pump 1 hours is left out: it may be of Pump 1 or of Pump 2."


def test_pumps_that_only_count_are_told_apart_too() -> None:
    site = site_of("hours: P1_HRS", "hours: P2_HRS", "hours: Station hours")
    assert [(name, hours) for name, _, hours, _ in told(site)] == [
        ("P1", "P1_HRS"),
        ("P2", "P2_HRS"),
    ]
    split = site_of("state: Pump 1 running", "hours: Pump 2 hours")  # never one pump's
    assert told(split) == [("Pump 1", "Pump 1 running", "", ""), ("Pump 2", "", "Pump 2 hours", "")]


@pytest.mark.parametrize(
    ("first", "second", "added"),
    [
        ("Pump 1", "Pump 2", True),
        ("Duty", "Standby", True),
        ("North pump", "South pump", True),
        ("Pump", "Pump 1", False),  # "Pump" may stand for any that runs
        ("Pump 1", "Generator", False),
    ],
)
def test_hours_are_added_only_of_pumps_that_are_named_alike(
    first: str, second: str, added: bool
) -> None:
    pumps = pumps_of(site_of(f"state: {first} running", f"state: {second} running"))
    assert [pump.name for pump in pumps] == [first, second]
    assert may_be_added(pumps) is added

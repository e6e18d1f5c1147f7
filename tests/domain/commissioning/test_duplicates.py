"""Who else has an address: in a network made by hand, and by what was heard."""

import pytest

from tallymast.domain import network_file
from tallymast.domain.commissioning.duplicates import OnWire, on_wire, twins_of
from tallymast.domain.commissioning.scanning import Heard, Hearing
from tallymast.domain.model import GatewayPlan, SiteLayout, SitePlan

GATEWAYS = """
[[gateway]]
key = "{0}"
name = "{0} mast"
transport = "modbus-tcp"
address = "127.0.0.1:{1}"
"""
PROFILE = """
[[profile]]
key = "tank"
point = [{tag = "A", name = "A", kind = "counter", table = "input", register = 0, layout = "int16"}]
"""
SITE = """
[[site]]
key = "{0}"
name = "{0}"
gateway = "{1}"
unit = {2}
profile = "tank"
"""
TEXT = "".join(
    [
        GATEWAYS.format("west", 5020),
        GATEWAYS.format("east", 5021),
        PROFILE,
        SITE.format("quill", "west", 3),
        SITE.format("osier", "west", 4),
        SITE.format("teal", "east", 3),
    ]
)


def plans() -> tuple[GatewayPlan, ...]:
    _, network = network_file.read(TEXT, "twins.toml")
    made = []
    for n, gateway in enumerate(network.gateways, 1):
        sites = [site for site in network.sites if site.gateway == gateway.key]
        held = [SitePlan(10 * n + m, one, SiteLayout(0, 0, (), ())) for m, one in enumerate(sites)]
        made.append(GatewayPlan(n, gateway, tuple(held)))
    return tuple(made)


def names(found: object) -> list[str]:
    return [one.site.key for one in found]  # type: ignore[attr-defined]


def test_the_same_address_behind_another_gateway_is_told_apart() -> None:
    west, east = plans()
    found = twins_of(west.sites[0], west, (west, east))
    assert (names(found.here), names(found.elsewhere)) == ([], ["teal"])
    assert found.elsewhere[0].gateway == "east mast"


def test_the_same_address_behind_the_same_gateway_is_told() -> None:
    west, east = plans()
    twin = SitePlan(99, east.sites[0].site, SiteLayout(0, 0, (), ()))
    both = GatewayPlan(west.gateway_id, west.gateway, (*west.sites, twin))
    assert names(twins_of(west.sites[0], both, (both,)).here) == ["teal"]


def test_a_retired_site_at_the_address_may_still_have_power() -> None:
    west, east = plans()
    gone = SitePlan(50, east.sites[0].site, SiteLayout(0, 0, (), ()))
    assert names(twins_of(west.sites[0], west, (west, east), [(west, gone)]).retired) == ["teal"]
    assert names(twins_of(west.sites[1], west, (west, east), [(west, gone)]).retired) == []


@pytest.mark.parametrize(
    ("heard", "is_on", "word", "tone"),
    [
        (Hearing.SILENCE, False, OnWire.FREE, "calm"),
        (Hearing.ANSWER, False, OnWire.TAKEN, "act"),
        (Hearing.REFUSAL, False, OnWire.TAKEN, "act"),
        (Hearing.GARBLED, False, OnWire.TWO, "act"),
        (Hearing.SILENCE, True, OnWire.SILENT, "watch"),
        (Hearing.ANSWER, True, OnWire.ONE, "calm"),
        (Hearing.REFUSAL, True, OnWire.OTHER_MAP, "watch"),
        (Hearing.GARBLED, True, OnWire.TWO, "act"),
    ],
)
def test_what_was_heard_means_another_thing_when_the_station_is_on(
    heard: Hearing, is_on: bool, word: OnWire, tone: str
) -> None:
    said = on_wire(Heard(19, heard), is_on)
    assert (said.word, said.tone) == (word, tone)
    assert "unit 19" in said.said
    assert said.do.endswith(".")


def test_a_taken_address_forbids_to_switch_on() -> None:
    assert on_wire(Heard(7, Hearing.ANSWER), is_on=False).do.startswith("Do not switch")

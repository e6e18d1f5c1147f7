"""Outputs move what they drive: a pump runs, a gate travels, and both obey their fail-safe."""

import numpy as np
import pytest

from tallymast import assets
from tallymast.domain import network_file
from tallymast.domain.model import Network, Point, Site, Table
from tallymast.simulator.fault_file import read_faults
from tallymast.simulator.faults import Faults
from tallymast.simulator.site_model import SiteModel
from tallymast.simulator.stations import Station

T0_S = 1_772_953_200.0


@pytest.fixture(scope="module")
def demo() -> Network:
    path = assets.demo_data() / "ombrel-basin.toml"
    return network_file.read(path.read_text(encoding="utf-8"), path.name)[1]


def station(demo: Network, key: str, faults: Faults | None = None) -> Station:
    site = next(one for one in demo.sites if one.key == key)
    return Station(site, SiteModel(demo, site, 1, faults))


def point(site: Site, tag: str) -> Point:
    return next(one for one in site.points if one.tag == tag)


def shown(one: Station, tag: str, at_s: float) -> int:
    """The raw number a point reads, or its bit."""
    here = point(one.site, tag)
    (word,) = one.read(here.table, here.register, 1, at_s)[:1]
    return word >> here.bit & 1 if here.bit is not None else word


def when_it_rests(one: Station) -> float:
    """An instant at which the pump stands, by its own level control, for some minutes."""
    run = point(one.site, "RUN")
    minutes = T0_S + 60.0 * np.arange(1440)
    runs = one.model.values(run, minutes) > 0.5
    for n in range(len(runs) - 15):
        if not runs[n : n + 15].any():
            return float(minutes[n])
    raise AssertionError("the pump never rests")


def test_a_start_output_runs_the_pump(demo: Network) -> None:
    one = station(demo, "dunlin-booster")
    at_s = when_it_rests(one)
    one.outputs.heard(at_s)
    assert shown(one, "RUN", at_s) == 0
    assert one.outputs.write(Table.COIL, 0, [1], at_s)
    assert shown(one, "RUN", at_s + 5) == 1
    assert one.outputs.write(Table.COIL, 0, [0], at_s + 10)
    assert shown(one, "RUN", at_s + 12) == 0


def test_a_pump_drops_out_when_nobody_polls(demo: Network) -> None:
    one = station(demo, "dunlin-booster")
    at_s = when_it_rests(one)
    one.outputs.heard(at_s)
    one.outputs.write(Table.COIL, 0, [1], at_s)
    one.outputs.heard(at_s + 119)
    assert shown(one, "START", at_s + 119) == 1
    one.outputs.heard(at_s + 119 + 121)  # the file says: off after 120 s without a poll
    assert shown(one, "START", at_s + 240) == 0
    assert shown(one, "RUN", at_s + 240) == 0


def test_an_output_somebody_holds_is_on_until_it_is_written_or_falls_back(demo: Network) -> None:
    text = '[[fault]]\nkind = "output"\nsite = "sedge-well"\ntag = "START"\n'
    faults = read_faults(text, "faults.toml", demo, round(T0_S * 1000))
    one = station(demo, "sedge-well", faults)
    one.outputs.heard(T0_S)
    assert shown(one, "START", T0_S) == 1
    one.outputs.heard(T0_S + 500)
    assert shown(one, "START", T0_S + 500) == 0
    assert shown(one, "RUN", T0_S + 500) == 0


def test_a_pulse_counts_down_and_the_gate_travels_meanwhile(demo: Network) -> None:
    one = station(demo, "far-lateral")
    at_s = T0_S
    one.outputs.heard(at_s)
    begun = shown(one, "POS", at_s)
    # 150 counts of 0.1 s: 15 s of a travel of 300 s from end to end are 5 %.
    assert one.outputs.write(Table.HOLDING, 30, [150], at_s)
    assert shown(one, "RAISE", at_s + 5) == 100
    assert shown(one, "POS", at_s + 5) == pytest.approx(begun + 1000 * 5 / 300, abs=2)
    assert shown(one, "RAISE", at_s + 60) == 0
    assert shown(one, "POS", at_s + 60) == pytest.approx(begun + 50, abs=2)
    assert one.outputs.write(Table.HOLDING, 31, [150], at_s + 100)
    assert shown(one, "POS", at_s + 200) == pytest.approx(begun, abs=2)


def test_a_gate_holds_when_nobody_polls(demo: Network) -> None:
    one = station(demo, "far-lateral")
    one.outputs.heard(T0_S)
    one.outputs.write(Table.HOLDING, 30, [600], T0_S)
    after = shown(one, "POS", T0_S + 100)
    one.outputs.heard(T0_S + 2000)
    assert shown(one, "POS", T0_S + 2000) == pytest.approx(after, abs=40)  # its own slow steps

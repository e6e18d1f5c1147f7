"""Cautions are chosen by what a site has; none of them says that anything is safe."""

from pathlib import Path

import pytest

from tallymast.domain.model import Site
from tallymast.domain.network_file import read
from tallymast.domain.visit_cautions import general_cautions, needs_gas_monitor

BASIN = Path(__file__).parents[2] / "demo_data/ombrel-basin.toml"
SITES = {one.key: one for one in read(BASIN.read_text(encoding="utf-8"), "basin")[1].sites}


def about(key: str, is_repeater: bool = False) -> list[str]:
    return [one.about for one in general_cautions(SITES[key], is_repeater)]


@pytest.mark.parametrize("site", SITES.values(), ids=lambda site: site.key)
def test_every_site_has_energy_antenna_and_working_alone(site: Site) -> None:
    found = [one.about for one in general_cautions(site)]
    assert found[0] == "Energy"
    assert "Antenna" in found
    assert found[-1] == "Alone"


@pytest.mark.parametrize("site", SITES.values(), ids=lambda site: site.key)
def test_no_caution_calls_anything_safe_or_suitable(site: Site) -> None:
    text = " ".join(one.words.lower() for one in general_cautions(site, True))
    assert " safe" not in text
    assert text.replace("says nothing about what is suitable", "").count("suitable") == 0
    assert "never a lock-out" in text


def test_they_fit_the_site() -> None:
    assert "Classified area" in about("thistle-separator")
    assert "Classified area" not in about("upper-weir")
    assert "Water" in about("upper-weir")
    assert "Water" not in about("vetch-water")  # produced water is no open water
    assert "Confined space" in about("brome-lift")
    assert "Battery" in about("tern-flat")


def test_outputs_are_named_where_there_are_any() -> None:
    words = {key: general_cautions(SITES[key])[0].words for key in ("hob-gate", "gannet-turnout")}
    assert words["hob-gate"].startswith("Raise, Lower may be switched")
    assert words["gannet-turnout"].startswith("Isolate")


def test_climbing_takes_fall_protection() -> None:
    def antenna(key: str, is_repeater: bool) -> str:
        (found,) = [o for o in general_cautions(SITES[key], is_repeater) if o.about == "Antenna"]
        return found.words

    assert "fall protection" in antenna("rook-valve", False)
    assert "fall protection" in antenna("far-lateral", True)
    assert "fall protection" not in antenna("far-lateral", False)


def test_a_gas_monitor_is_noted_where_a_caution_says_gas() -> None:
    noted = {key for key, site in SITES.items() if needs_gas_monitor(site)}
    # By hand from the network file: "gas monitor" stands in these sites' cautions.
    assert noted == {
        "brome-lift",
        "scarp-drip",
        "kestrel-pad",
        "merlin-pad",
        "hobby-pad",
        "thistle-separator",
        "vetch-water",
    }

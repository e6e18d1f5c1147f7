"""The files people try first: the invented basin of the demo, and the starter for one station."""

from pathlib import Path

import pytest

from tallymast.domain.model import Chemistry, Network, PointKind, Site, SupplyKind, WordLayout
from tallymast.domain.network_file import dump, parse, read
from tallymast.domain.positions import distance_bearing

# The scenario the demo tells: key, unit, km and true bearing from the mast, profile, seconds
# between polls. It is invented, and fixed so that texts and later chapters agree with it.
MARROWDUN = (
    ("quill-tank", 1, 2.1, 15, "tank", 15),
    ("dunlin-booster", 2, 3.4, 48, "pump", 10),
    ("upper-weir", 3, 8.5, 58, "tank", 30),
    ("sorrel-well", 4, 5.2, 102, "pump", 10),
    ("tern-flat", 5, 11.6, 131, "tank", 60),
    ("fennel-dosing", 6, 4.0, 170, "tank", 60),
    ("hob-gate", 7, 9.3, 205, "gate", 60),
    ("gannet-turnout", 8, 14.8, 228, "meter", 60),
    ("plover-turnout", 9, 16.1, 236, "meter-16", 60),
    ("osier-pond", 10, 12.7, 241, "tank", 120),
    ("brome-lift", 11, 6.6, 290, "pump", 15),
    ("rook-valve", 12, 19.4, 318, "tank", 60),
)
LONG_SCARP = (
    ("scarp-drip", 1, 1.3, 22, "tank", 60),
    ("kestrel-pad", 2, 4.7, 64, "meter", 60),
    ("merlin-pad", 3, 6.2, 79, "meter", 60),
    ("hobby-pad", 4, 7.9, 93, "meter-16", 60),
    ("thistle-separator", 5, 9.5, 110, "tank", 30),
    ("vetch-water", 6, 8.8, 127, "tank", 60),
    ("saddle-repeater", 40, 17.2, 155, "tank", 60),
    ("far-lateral", 8, 26.4, 158, "gate", 120),
    ("yarrow-turnout", 9, 29.1, 163, "meter", 120),
    ("teal-pond", 10, 24.8, 149, "tank", 60),
    ("cress-spring", 11, 31.5, 170, "meter", 900),
    ("sedge-well", 12, 10.4, 201, "pump", 15),
)
BEHIND_SADDLE = {"far-lateral", "yarrow-turnout", "teal-pond", "cress-spring"}


@pytest.fixture(scope="module")
def text(repository: Path) -> str:
    return (repository / "demo_data/ombrel-basin.toml").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def basin(text: str) -> Network:
    return read(text, "ombrel-basin.toml")[1]


def behind(basin: Network, gateway: str) -> list[Site]:
    return [site for site in basin.sites if site.gateway == gateway]


@pytest.mark.parametrize(
    ("gateway", "sites", "mast"),
    [("marrowdun", MARROWDUN, (44.10, -106.30)), ("long-scarp", LONG_SCARP, (43.92, -106.05))],
)
def test_every_site_is_where_and_what_the_scenario_says(
    basin: Network,
    gateway: str,
    sites: tuple[tuple[str, int, float, float, str, int], ...],
    mast: tuple[float, float],
) -> None:
    found = behind(basin, gateway)
    assert [(one.key, one.unit, one.profile, one.poll_every_s) for one in found] == [
        (key, unit, profile, every_s) for key, unit, _, _, profile, every_s in sites
    ]
    for site, (_, _, km, bearing, _, _) in zip(found, sites, strict=True):
        assert site.latitude is not None
        assert site.longitude is not None
        leg = distance_bearing(*mast, site.latitude, site.longitude)
        # Five decimals of a degree are a metre; the scenario is given to 100 m and 1°.
        assert leg.distance_km == pytest.approx(km, abs=0.002)
        assert leg.bearing_deg == pytest.approx(bearing, abs=0.1)


def test_only_teal_pond_is_not_polled(basin: Network) -> None:
    assert [site.key for site in basin.sites if not site.in_service] == ["teal-pond"]


def test_four_sites_are_carried_by_the_saddle(basin: Network) -> None:
    assert {site.key for site in basin.sites if site.via == "saddle-repeater"} == BEHIND_SADDLE
    assert {site.reply_timeout_s for site in basin.sites if site.key in BEHIND_SADDLE} == {3.0, 6.0}


def test_outputs_fall_as_the_scenario_says(basin: Network) -> None:
    fall = {
        (site.profile, point.fail_safe.state, point.fail_safe.after_s)
        for site in basin.sites
        for point in site.points
        if point.fail_safe is not None
    }
    assert fall == {("tank", "off", 300), ("gate", "hold", 600), ("pump", "off", 120)}


def test_every_station_reports_supply_signal_and_restarts(basin: Network) -> None:
    wanted = {PointKind.SUPPLY_VOLTAGE, PointKind.SIGNAL, PointKind.COUNTER}
    for site in basin.sites:
        assert wanted <= {point.kind for point in site.points}, site.key
        assert site.access
        assert site.cautions


def test_supplies_are_those_of_the_scenario(basin: Network) -> None:
    supplies = {site.key: site.supply for site in basin.sites}
    kinds = [supply.kind for supply in supplies.values() if supply is not None]
    assert len(kinds) == 24
    assert {kind: kinds.count(kind) for kind in kinds} == {
        SupplyKind.MAINS_WITH_BATTERY: 5,
        SupplyKind.SOLAR: 18,
        SupplyKind.PRIMARY: 1,
    }
    spring, gate, rook = (supplies[key] for key in ("cress-spring", "hob-gate", "rook-valve"))
    assert spring is not None
    assert (spring.chemistry, spring.nominal_v, spring.capacity_ah) == (
        Chemistry.LITHIUM_PRIMARY,
        14.4,
        38,
    )
    assert gate is not None
    assert (gate.nominal_v, gate.capacity_ah, gate.panel_w) == (24, 40, 60)
    assert rook is not None
    assert (rook.chemistry, rook.capacity_ah, rook.panel_w) == (Chemistry.LIFEPO4, 30, 30)


def test_the_demo_shows_many_layouts(basin: Network) -> None:
    shown = {point.layout for site in basin.sites for point in site.points}
    assert shown >= {
        WordLayout.BOOL,
        WordLayout.UINT16,
        WordLayout.INT16,
        WordLayout.UINT32,
        WordLayout.FLOAT32,
        WordLayout.BCD16,
        WordLayout.BCD32,
        WordLayout.MOD10K,
        WordLayout.TEXT,
    }


def test_the_demo_file_comes_back_key_for_key(text: str) -> None:
    written = parse(text, "ombrel-basin.toml")
    assert parse(dump(written), "ombrel-basin.toml") == written


def test_the_starter_file_describes_one_station(repository: Path) -> None:
    path = repository / "demo_data/one-station.toml"
    written, network = read(path.read_text(encoding="utf-8"), path.name)
    assert [site.key for site in network.sites] == ["first-site"]
    assert {point.tag for point in network.sites[0].points} == {"LVL", "HATCH", "VBAT"}
    # The commented example at its end is a key a person may want: it must be right too.
    example = path.read_text(encoding="utf-8").replace("  # [[site.point]]", "[[site.point]]")
    for line in ('tag = "LVL"', "value = [0.0, 4.5]", "limits = { high = 4.0, high_high = 4.3 }"):
        example = example.replace(f"  # {line}", line)
    assert read(example, path.name)[0] != written

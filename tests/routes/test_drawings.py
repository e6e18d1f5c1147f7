"""The small drawings and the bearing plot: what they show, and what they leave open."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast import assets
from tallymast.domain import network_file
from tallymast.domain.health.nights import Night
from tallymast.domain.model import Chemistry, GatewayPlan, Supply, SupplyKind
from tallymast.routes.nights import HEIGHT, NIGHTS_SHOWN, WIDTH, draw_gauge, draw_nights
from tallymast.routes.plot import SIZE, draw_plot
from tallymast.routes.rows import CALM

TODAY = 20_000
AGM = Supply(SupplyKind.SOLAR, Chemistry.AGM, 12.0, 33.0, disconnect_v=11.5, reconnect_v=12.8)


def nights(*volts: float | None) -> list[Night]:
    """Nights up to today, the last one today's."""
    first = TODAY - len(volts) + 1
    return [Night(first + n, one, one, 0, one, 0, 100) for n, one in enumerate(volts)]


def test_a_nights_height_is_what_is_left_over_the_disconnect() -> None:
    # At the disconnect the line lies on the ground; a fuller battery stands higher.
    low, high = (draw_nights(nights(volts), TODAY, AGM).last for volts in (11.5, 12.6))
    assert low is not None
    assert high is not None
    assert low[1] == HEIGHT
    assert high[1] < low[1] - HEIGHT / 3


def test_a_night_below_the_disconnect_lies_on_the_ground_not_under_it() -> None:
    last = draw_nights(nights(10.9), TODAY, AGM).last
    assert last is not None
    assert last[1] == HEIGHT


def test_gaps_stay_gaps() -> None:
    drawn = draw_nights(nights(12.6, 12.6, None, 12.6, 12.6), TODAY, AGM)
    assert drawn.line.count("M") == 2
    assert drawn.dots == ()


def test_a_single_night_is_a_dot() -> None:
    drawn = draw_nights(nights(12.6, None, None, 12.5), TODAY, AGM)
    assert len(drawn.dots) == 2
    assert draw_nights([], TODAY, AGM).last is None


@given(st.lists(st.one_of(st.none(), st.floats(0, 40)), max_size=60))
def test_no_night_leaves_the_drawing(volts: list[float | None]) -> None:
    drawn = draw_nights(nights(*volts), TODAY, AGM)
    numbers = [
        float(one)
        for part in drawn.line.replace("M", "L").split("L")
        if part
        for one in part.split()
    ]
    assert all(0 <= x <= WIDTH for x in numbers[::2])
    assert all(0 <= y <= HEIGHT for y in numbers[1::2])
    assert len(numbers[::2]) <= NIGHTS_SHOWN


def test_a_gauge_marks_what_is_known_and_nothing_else() -> None:
    gauge = draw_gauge(12.0, 11.98, AGM, "calm")
    assert [(tick.name, tick.words) for tick in gauge.ticks] == [
        ("load off", "11.50\u00a0V"),
        ("load on again", "12.80\u00a0V"),
        ("before dawn", "11.98\u00a0V"),
    ]
    places = [tick.x for tick in gauge.ticks]
    assert places[0] < places[2] < places[1]
    assert draw_gauge(None, None, None, "off").ticks == ()
    assert draw_gauge(None, None, None, "off").now is None


# --- the plot -----------------------------------------------------------------------------


def gateway_of(key: str) -> GatewayPlan:
    path = assets.demo_data() / "ombrel-basin.toml"
    network = network_file.read(path.read_text(encoding="utf-8"), path.name)[1]
    gateway = next(one for one in network.gateways if one.key == key)
    from tallymast.domain.modbus.blocks import site_layout
    from tallymast.domain.model import SitePlan
    from tallymast.domain.read_plan import read_plan

    sites = tuple(
        SitePlan(
            n,
            site,
            site_layout(
                n,
                n,
                site.points,
                {point.tag: k for k, point in enumerate(site.points)},
                read_plan(site, gateway),
            ),
        )
        for n, site in enumerate(network.sites)
        if site.gateway == key
    )
    return GatewayPlan(1, gateway, sites)


@pytest.mark.parametrize("key", ["marrowdun", "long-scarp"])
def test_a_site_stands_at_its_true_bearing(key: str) -> None:
    plan = gateway_of(key)
    plot = draw_plot(plan, [CALM] * len(plan.sites))
    # The scenario gives each site's bearing; on the plot north is up and east to the right.
    bearings = {"marrowdun": (15, 48, 58, 102), "long-scarp": (22, 64, 79, 93)}[key]
    for spot, bearing in zip(plot.spots, bearings, strict=False):
        turn = math.degrees(math.atan2(spot.x - SIZE / 2, SIZE / 2 - spot.y)) % 360
        assert turn == pytest.approx(bearing, abs=0.6), spot.name


def test_distances_are_on_a_square_root_scale() -> None:
    plan = gateway_of("long-scarp")
    spots = {spot.key: spot for spot in draw_plot(plan, [CALM] * len(plan.sites)).spots}
    near, far = (
        math.hypot(spots[key].x - SIZE / 2, spots[key].y - SIZE / 2)
        for key in ("thistle-separator", "cress-spring")
    )
    # 9.5 and 31.5 km: sqrt(31.5 / 9.5) = 1.821 (arithmetic).
    assert far / near == pytest.approx(1.821, abs=0.01)


def test_repeater_paths_begin_at_the_repeater() -> None:
    plan = gateway_of("long-scarp")
    plot = draw_plot(plan, [CALM] * len(plan.sites))
    saddle = next(spot for spot in plot.spots if spot.key == "saddle-repeater")
    through = [path for path in plot.paths if path.through]
    assert len(through) == 4
    assert {(path.x1, path.y1) for path in through} == {(saddle.x, saddle.y)}


def test_a_site_without_a_place_is_named_beside_the_plot() -> None:
    from dataclasses import replace

    plan = gateway_of("marrowdun")
    first = plan.sites[0]
    lost = replace(first, site=replace(first.site, latitude=None, longitude=None))
    plan = replace(plan, sites=(lost, *plan.sites[1:]))
    plot = draw_plot(plan, [CALM] * len(plan.sites))
    assert plot.unplaced == ("Quill Tank",)
    assert len(plot.spots) == 11

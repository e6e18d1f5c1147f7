"""Which points and periods are taken, and what is said of those that are not."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from tallymast import assets
from tallymast.domain import exports, network_file
from tallymast.domain.errors import ConfigError
from tallymast.domain.model import GatewayPlan, SiteLayout, SitePlan

DAY_MS = 86_400_000
DENVER = ZoneInfo("America/Denver")


@pytest.fixture(scope="module")
def gateways() -> tuple[GatewayPlan, ...]:
    """The demo's network, as plans."""
    text = (assets.demo_data() / "ombrel-basin.toml").read_text(encoding="utf-8")
    _, network = network_file.read(text, "ombrel-basin.toml")
    return tuple(
        GatewayPlan(
            n,
            gateway,
            tuple(
                SitePlan(100 * n + m, site, SiteLayout(0, 100 * n + m, (), ()))
                for m, site in enumerate(network.sites)
                if site.gateway == gateway.key
            ),
        )
        for n, gateway in enumerate(network.gateways)
    )


def test_points_come_once_by_site_and_tag(gateways: tuple[GatewayPlan, ...]) -> None:
    some = exports.choose(
        gateways, ["upper-weir/VBAT", "quill-tank/LVL", "quill-tank/AI2"], ["quill-tank"]
    )
    found = [one.word for one in some]
    assert found == sorted(set(found))
    assert found[-1] == "upper-weir/VBAT"
    assert sum(word.startswith("quill-tank/") for word in found) == 12


def test_every_mistake_is_told_with_the_nearest(gateways: tuple[GatewayPlan, ...]) -> None:
    with pytest.raises(ConfigError) as error:
        exports.choose(gateways, ["quill-tank/LVX", "quil-tank/LVL"], ["uper-weir"])
    assert error.value.mistakes == (
        'There is no site "uper-weir"; the nearest is "upper-weir".',
        'Site quill-tank has no point "LVX"; the nearest is "LVL".',
        'There is no site "quil-tank"; the nearest is "quill-tank".',
    )


def test_nothing_chosen_says_how(gateways: tuple[GatewayPlan, ...]) -> None:
    with pytest.raises(ConfigError, match="name points as SITE/TAG"):
        exports.choose(gateways, [], [])


def test_a_period_ends_now_at_the_latest() -> None:
    assert exports.period(10, 99, 50) == (10, 50)
    assert exports.period(10, 40, 50) == (10, 40)


@pytest.mark.parametrize(
    ("span", "part"),
    [
        ((5, 5), "begin before it ends"),
        ((-1, 5), "before 1970"),
        ((50, 60), "in the future"),
        ((0, 3661 * DAY_MS), "longer than ten years"),
    ],
)
def test_a_period_that_is_none(span: tuple[int, int], part: str) -> None:
    with pytest.raises(ConfigError, match=part):
        exports.period(*span, 50 if span[0] >= 50 else 10**15)


@pytest.mark.parametrize(
    ("name", "begin", "end"),
    [
        # By the calendar, seen from 2026-03-09 09:00: the 8th has 23 hours in Denver.
        ("yesterday", "2026-03-08T00:00:00-07:00", "2026-03-09T00:00:00-06:00"),
        ("last-7-days", "2026-03-02T00:00:00-07:00", "2026-03-09T00:00:00-06:00"),
        ("last-30-days", "2026-02-07T00:00:00-07:00", "2026-03-09T00:00:00-06:00"),
        ("this-month", "2026-03-01T00:00:00-07:00", "2026-03-10T00:00:00-06:00"),
        ("last-month", "2026-02-01T00:00:00-07:00", "2026-03-01T00:00:00-07:00"),
    ],
)
def test_presets_are_whole_days_of_the_zone(name: str, begin: str, end: str) -> None:
    found = exports.preset(name, datetime(2026, 3, 9, 9, tzinfo=DENVER))
    assert [one.isoformat() for one in found] == [begin, end]


def test_january_looks_back_into_december() -> None:
    begin, end = exports.preset("last-month", datetime(2026, 1, 31, tzinfo=DENVER))
    assert (begin.date().isoformat(), end.date().isoformat()) == ("2025-12-01", "2026-01-01")


def test_rows_are_estimated_from_how_often_a_point_is_read(
    gateways: tuple[GatewayPlan, ...],
) -> None:
    (level,) = exports.choose(gateways, ["quill-tank/LVL"], [])
    frame = network_file.read(
        (assets.demo_data() / "ombrel-basin.toml").read_text(encoding="utf-8"), "x"
    )[1]
    make = lambda how: exports.make(frame, (level,), (0, DAY_MS), how, "0", 0)  # noqa: E731
    # The file says poll_every_s = 15 for Quill Tank: 86 400 / 15.
    assert exports.rows_about(make("raw")) == 5760
    assert exports.rows_about(make("hour")) == 24
    assert exports.rows_about(make("day")) == 1


@pytest.mark.parametrize("how", ["raw", "hour"])
@pytest.mark.parametrize("zone", ["UTC", "America/Denver"])
def test_no_two_columns_have_one_name(how: exports.Resolution, zone: str) -> None:
    extract = exports.Extract("N", zone, 7, zone, how, 0, 1, (), "0", 0)
    names = [column.name for column in exports.columns_of(extract)]
    assert len(set(names)) == len(names)
    assert zone in names[0]
    assert names[1].endswith("(UTC)")

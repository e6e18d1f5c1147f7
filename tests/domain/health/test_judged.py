"""One line a cause: what the weeks add to the moment, and what they explain."""

from dataclasses import replace

import pytest

from tallymast.domain.health.comms.model import (
    CommHealth,
    ContactChange,
    Share,
    SignalStep,
)
from tallymast.domain.health.findings import Silent, SupplyNearDisconnect
from tallymast.domain.health.judged import (
    ContactBroken,
    ContactWatch,
    SupplyFails,
    SupplyWatch,
    WorseTogether,
    with_health,
)
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.health.supply.model import Forecast, SupplyHealth, Verdict
from tallymast.domain.model import (
    Gateway,
    GatewayPlan,
    Quality,
    Reading,
    Site,
    SiteLayout,
    SitePlan,
    Transport,
)
from tallymast.domain.positions import offset

HOUR = 3_600_000
MAST = (44.10, -106.30)


def a_plan(n: int, bearing: float) -> SitePlan:
    latitude, longitude = offset(*MAST, 15.0, bearing)
    site = Site(f"site-{n}", f"Site {n}", "mast", n, "tank", (), 60, (), 2.0, 2, 20.0, 3)
    site = replace(site, latitude=latitude, longitude=longitude)
    return SitePlan(n, site, SiteLayout(n, n, (), ()))


def a_gateway(*bearings: float) -> GatewayPlan:
    mast = Gateway("mast", "Mast", Transport.RTU_OVER_TCP, "127.0.0.1:5020")
    mast = replace(mast, latitude=MAST[0], longitude=MAST[1])
    return GatewayPlan(1, mast, tuple(a_plan(n, one) for n, one in enumerate(bearings, 1)))


def worse(at_ms: int, first: float = 0.8, delivered: float = 0.99) -> SiteHealth:
    def share(value: float) -> Share:
        return Share(round(value * 1000), 1000, value - 0.01, value + 0.01, 500.0)

    change = ContactChange(at_ms, share(0.98), share(first), share(delivered), 0.01)
    return SiteHealth(comm=CommHealth(change=change))


def supply(verdict: Verdict, low_days: float | None = None) -> SiteHealth:
    forecast = None if low_days is None else Forecast(0, low_days, low_days + 1, None, 11.5, 9)
    return SiteHealth(SupplyHealth(verdict, 30, forecast=forecast))


def silent(gateway: GatewayPlan, n: int) -> Silent:
    return Silent(gateway.sites[n - 1].site, 5 * HOUR, 30, 4 * HOUR, None)


@pytest.mark.parametrize(
    ("health", "expected"),
    [
        (supply(Verdict.NOT_CHARGING), SupplyFails),
        (supply(Verdict.DARK_AT_NIGHT), SupplyFails),
        (supply(Verdict.OVERCHARGING), SupplyFails),
        (supply(Verdict.DECLINING, low_days=30), SupplyWatch),
        (supply(Verdict.DECLINING, low_days=6), SupplyFails),
        (supply(Verdict.AGEING), SupplyWatch),
        (supply(Verdict.STUCK), SupplyWatch),
    ],
)
def test_a_supply_is_for_today_where_it_fails_soon(health: SiteHealth, expected: type) -> None:
    (found,) = with_health([], [a_gateway(10)], {1: health})
    assert type(found) is expected


@pytest.mark.parametrize(
    "verdict", [Verdict.STEADY, Verdict.TELLS_LITTLE, Verdict.FEW_NIGHTS, Verdict.UNKNOWN]
)
def test_what_is_calm_or_unknown_calls_for_nobody(verdict: Verdict) -> None:
    assert with_health([], [a_gateway(10)], {1: supply(verdict)}) == []


def test_a_site_dark_at_night_is_not_told_as_silent_too() -> None:
    gateway = a_gateway(10)
    (found,) = with_health([silent(gateway, 1)], [gateway], {1: supply(Verdict.DARK_AT_NIGHT)})
    assert isinstance(found, SupplyFails)
    assert found.silent_since_ms == 5 * HOUR


def test_a_silent_site_that_does_not_charge_keeps_both_lines() -> None:
    gateway = a_gateway(10)
    found = with_health([silent(gateway, 1)], [gateway], {1: supply(Verdict.NOT_CHARGING)})
    assert {type(one) for one in found} == {Silent, SupplyFails}


def test_a_low_reading_is_the_same_cause_as_a_battery_that_is_not_charged() -> None:
    gateway = a_gateway(10)
    reading = Reading("VBAT", 11.7, 1170, Quality.GOOD, 0)
    near = SupplyNearDisconnect(gateway.sites[0].site, reading, 11.5)
    (found,) = with_health([near], [gateway], {1: supply(Verdict.NOT_CHARGING)})
    assert isinstance(found, SupplyFails)
    assert with_health([near], [gateway], {1: supply(Verdict.STEADY)}) == [near]


def test_sites_in_one_direction_that_fell_together_are_one_line() -> None:
    gateway = a_gateway(228, 236, 241, 10)
    health = {n: worse(at * HOUR) for n, at in ((1, 10), (2, 11), (3, 12))}
    (found,) = with_health([], [gateway], health)
    assert isinstance(found, WorseTogether)
    assert found.site_keys == ("site-1", "site-2", "site-3")
    assert [round(one) for one in found.bearing_deg] == [228, 241]


def test_who_lies_there_too_and_fell_later_is_taken_along() -> None:
    gateway = a_gateway(228, 236, 241, 10)
    health = {n: worse(at * HOUR) for n, at in ((1, 10), (2, 11), (3, 90), (4, 90))}
    found = with_health([], [gateway], health)
    assert [one.site_keys for one in found] == [("site-1", "site-2", "site-3"), ("site-4",)]
    assert isinstance(found[0], WorseTogether)
    assert found[0].since_ms == 11 * HOUR


def test_a_bad_hour_of_few_polls_is_watched_not_called_broken() -> None:
    few = Share(169, 180)  # no interval can be given of so few
    change = ContactChange(1, Share(98, 100, 0.9, 0.99, 50), Share(142, 180), few, 0.01)
    found = with_health([], [a_gateway(10)], {1: SiteHealth(comm=CommHealth(change=change))})
    assert [type(one) for one in found] == [ContactWatch]


@pytest.mark.parametrize("other", [(10, 20, 40), (10, 10, 10)], ids=["another time", "spread"])
def test_otherwise_each_has_its_own_line(other: tuple[int, int, int]) -> None:
    gateway = a_gateway(*((228, 236, 241) if other[2] == 40 else (10, 130, 250)))
    health = {n: worse(at * HOUR) for n, at in enumerate(other, 1)}
    found = with_health([], [gateway], health)
    assert [type(one) for one in found] == [ContactWatch] * 3


def test_a_step_of_the_signal_or_lost_polls_are_for_today() -> None:
    gateway = a_gateway(10)
    assert type(with_health([], [gateway], {1: worse(1, delivered=0.90)})[0]) is ContactBroken
    stepped = SiteHealth(comm=CommHealth(signal=SignalStep(1, 2, -79.0, -98.0)))
    assert type(with_health([], [gateway], {1: stepped})[0]) is ContactBroken


def test_a_silent_site_is_not_told_as_worse_besides() -> None:
    gateway = a_gateway(10)
    found = with_health([silent(gateway, 1)], [gateway], {1: worse(1)})
    assert [type(one) for one in found] == [Silent]

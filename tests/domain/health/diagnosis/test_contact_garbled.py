"""Answers that come garbled: a second station, noise at one, or the gateway's own line."""

import pytest
from tests.domain.health.diagnosis.contact_traces import (
    DAY,
    HOUR,
    NOW,
    Trace,
    named,
    network,
    since,
)

SOUND = Trace(days=14)


def spoiled(share: float, ago_h: float, until_h: float = 0.0, **how: float) -> Trace:
    where = since(ago_h * HOUR, until_h * HOUR)
    return Trace(days=14, **how, garbled=[(where, share)])


@pytest.mark.parametrize("every_s", [30.0, 60.0, 300.0])
def test_one_site_garbled_from_one_hour_on_has_a_second_station_or_noise(every_s: float) -> None:
    (found,) = named(network([spoiled(0.85, 3, every_s=every_s), SOUND, SOUND], 1))
    assert (found.cause, found.site_ids) == ("duplicate-address", (1,))
    assert found.rivals == ("Noise on the serial line at the station",)
    assert abs(found.since_ms - (NOW - 3 * HOUR)) <= HOUR
    assert any("outputs" in one for one in found.cautions)


def test_it_is_not_named_any_more_some_hours_after_it_healed() -> None:
    assert named(network([spoiled(0.85, 12, 6), SOUND, SOUND], 1)) == []


def test_some_answers_garbled_are_rather_noise() -> None:
    noisy = spoiled(0.2, 12, every_s=20.0, retries=1)
    (found,) = named(network([noisy, SOUND, SOUND], 2))
    assert found.cause == "station-noise"
    assert found.rivals == ("Two stations on one unit address",)


def test_all_sites_garbled_are_the_gateways_line() -> None:
    (found,) = named(network([spoiled(0.7, 4) for _ in range(4)], 3))
    assert (found.cause, found.site_ids) == ("gateway-serial", ())
    assert len(found.touched) == 4


def test_two_garbled_polls_are_chance() -> None:
    # 2 of 720 polls in twelve hours
    one = spoiled(1.0, 2.5, 2.5 - 2 / 60)
    assert named(network([one, SOUND, SOUND], 4)) == []


def test_a_line_that_was_always_noisy_is_not_news() -> None:
    always = Trace(days=14, garbled=[(since(14 * DAY), 0.4)], retries=1)
    assert named(network([always, SOUND, SOUND], 5)) == []


@pytest.mark.parametrize("days", [2, 6, 12])
def test_a_slow_site_is_named_on_though_single_hours_have_none(days: int) -> None:
    # Twelve polls an hour, of which one in eight ends garbled: one hour in five has none.
    clash = Trace(days=30.0, every_s=300, garbled=[(since(days * DAY), 0.5)])
    for seed in range(4):
        found = named(network([clash, Trace(every_s=300), Trace(every_s=300)], seed))
        assert [one.cause for one in found] == ["duplicate-address"]

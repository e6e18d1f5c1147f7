"""Contact lost altogether: one cause for all that share it, none for what the supply explains."""

from dataclasses import replace

import pytest
from tests.domain.health.diagnosis.contact_traces import (
    DAY,
    HOUR,
    MINUTE,
    Trace,
    a_site,
    evidence,
    named,
    network,
    since,
)

from tallymast.domain.health.diagnosis.evidence import SiteEvidence
from tallymast.domain.model import GatewayStatus

SILENT = lambda ago_ms: Trace(days=9, silent=[since(ago_ms)])  # noqa: E731
SOUND = Trace(days=9)


def behind(numbers: dict[int, Trace], repeater: int, **how: float) -> list[SiteEvidence]:
    return [
        evidence(
            a_site(n, 70.0 * n, trace, via=None if n <= repeater else f"site-{repeater}"),
            trace,
            n,
            **how,
        )
        for n, trace in numbers.items()
    ]


def test_a_silent_repeater_is_where_to_start_and_its_battery_is_cleared() -> None:
    mute = {n: SILENT(3 * HOUR) for n in (2, 3, 4, 5)}
    (found,) = named(behind({1: SOUND, **mute}, 2, supply_v=12.9))
    assert (found.cause, found.site_ids, found.touched) == ("repeater", (2,), (3, 4, 5))
    assert found.rests_on[0].text == "Its last supply reading was 12.9 V: not the battery."
    assert "3\u00a0sites" in found.says.text


def test_a_low_last_reading_does_not_clear_the_repeaters_battery() -> None:
    (found,) = named(behind({1: SOUND, 2: SILENT(HOUR), 3: SILENT(HOUR)}, 2, supply_v=12.2))
    assert "not cleared" in found.rests_on[0].text


def test_a_site_heard_behind_it_clears_the_repeaters_path() -> None:
    (found,) = named(behind({1: SOUND, 2: SILENT(HOUR), 3: SOUND}, 2))
    assert (found.cause, found.site_ids) == ("silent", (2,))


def test_one_silent_station_leaves_power_and_radio_open_at_once() -> None:
    (found,) = named(network([SILENT(10 * MINUTE), SOUND, SOUND, SOUND], 3))
    assert (found.cause, found.site_ids) == ("silent", (1,))
    assert "restart counter" in found.decides.text
    later = named(network([SILENT(2 * HOUR), SOUND, SOUND, SOUND], 3))
    assert later[0].score > found.score


def test_a_battery_near_its_disconnect_explains_the_silence_itself() -> None:
    trace = SILENT(5 * HOUR)
    assert named([evidence(a_site(1, 0, trace), trace, 1, supply_v=11.7)]) == []


def test_two_minutes_are_a_passing_truck() -> None:
    trace = SILENT(2 * MINUTE)
    assert named([evidence(a_site(1, 0, replace(trace, every_s=20)), trace, 1)]) == []


def test_three_in_one_direction_share_a_cause_and_others_are_not_told() -> None:
    numbers = [(10, SOUND), (120, SOUND), (200, SOUND), (300, SOUND)]
    numbers += [(bearing, SILENT(40 * MINUTE)) for bearing in (231, 240, 252)]
    sites = [evidence(a_site(n, at, one), one, n) for n, (at, one) in enumerate(numbers, 1)]
    (found,) = named(sites)
    assert (found.cause, found.site_ids) == ("silent-direction", (5, 6, 7))
    assert "west-south-west" in found.says.text


def test_most_of_a_mast_in_all_directions_begins_at_the_mast() -> None:
    traces = [SILENT(30 * MINUTE)] * 6 + [SOUND] * 2
    (found,) = named(network(traces, 4))
    assert (found.cause, found.site_ids) == ("silent-mast", ())
    assert len(found.touched) == 6


@pytest.mark.parametrize(
    ("status", "cause", "word"),
    [
        (GatewayStatus.UNREACHABLE, "gateway-lost", "backhaul"),
        (GatewayStatus.MUTE, "gateway-mute", "30–60 s"),
    ],
)
def test_a_lost_gateway_is_one_cause_for_all_behind_it(
    status: GatewayStatus, cause: str, word: str
) -> None:
    traces = [SILENT(20 * MINUTE)] * 4
    sites = [
        evidence(a_site(n, 90.0 * n, one), one, n, gateway_status=status)
        for n, one in enumerate(traces, 1)
    ]
    (found,) = named(sites)
    assert (found.cause, found.site_ids, found.touched) == (cause, (), (1, 2, 3, 4))
    assert word in found.advice.text.lower()


def test_another_gateways_sites_are_not_touched() -> None:
    lost = evidence(a_site(1), SOUND, 1, gateway_status=GatewayStatus.UNREACHABLE)
    other = evidence(a_site(1), SILENT(HOUR), 2, gateway_number=2)
    assert {one.cause for one in named([lost, other])} == {"gateway-lost", "silent"}


def test_a_signal_that_fell_before_the_silence_points_to_the_antenna() -> None:
    trace = Trace(moved=[lambda at: -14.0 * since(2 * DAY)(at)], silent=[since(HOUR)])
    found = named([evidence(a_site(1, 0, trace), trace, 1)])
    assert found[0].cause == "antenna"

"""Somebody else's transmitter: the same hours, one direction, a signal that stands."""

import numpy as np
import pytest
from tests.domain.health.diagnosis.contact_traces import (
    DAY,
    HOUR,
    NOW,
    Trace,
    a_site,
    daily,
    evidence,
    local_minutes,
    named,
    network,
    since,
)

from tallymast.domain.health.diagnosis.evidence import SiteEvidence
from tallymast.domain.health.diagnosis.lost_hours import Loss

MORNING = (300, 450)  # 05:00 to 07:30


def disturbed(days: float, hours: tuple[int, int], zone: str, share: float = 0.4) -> Trace:
    return Trace(burst=[(daily(days * DAY, *hours, zone), share)])


def placed(traces: dict[float, Trace], zone: str, seed: int = 1) -> list[SiteEvidence]:
    """Sites at bearings from the mast."""
    return [
        evidence(a_site(n, bearing, trace), trace, 100 * seed + n, zone=zone)
        for n, (bearing, trace) in enumerate(traces.items(), 1)
    ]


def the_loss(one: SiteEvidence) -> Loss:
    clues = one.health.clues.contact
    assert clues is not None
    assert clues.loss is not None
    return clues.loss


def test_three_sites_in_one_direction_at_the_same_hours_are_one_cause() -> None:
    zone = "America/Denver"
    hit = {at: disturbed(9, MORNING, zone) for at in (228.0, 236.2, 241.0)}
    (found,) = named(placed({**hit, 30.0: Trace(), 120.0: Trace(), 300.0: Trace()}, zone))
    assert (found.cause, found.site_ids) == ("interference", (1, 2, 3))
    assert found.advice.text == (
        "Three sites in one direction, same hours, signal steady: somebody else's transmitter to "
        "the west-south-west; do not climb, listen first."
    )
    assert "from 05:00 to 07:30" in found.says.text
    assert "signal steady" in found.says.text


def test_a_group_is_named_on_its_first_morning_as_possible_only() -> None:
    # It is 09:40 UTC; a transmitter came on at 05:00 today.
    hit = {at: disturbed(0.3, MORNING, "UTC", 0.5) for at in (80.0, 90.0, 100.0)}
    (found,) = named(placed({**hit, 200.0: Trace(), 300.0: Trace(), 330.0: Trace()}, "UTC"))
    assert found.site_ids == (1, 2, 3)
    assert found.confidence.value == "possible"


def test_one_site_alone_is_named_on_its_second_morning_not_before() -> None:
    first = [disturbed(0.3, MORNING, "UTC", 0.5), Trace(), Trace(), Trace()]
    second = [disturbed(1.3, MORNING, "UTC", 0.5), Trace(), Trace(), Trace()]
    assert named(network(first, 1)) == []
    (found,) = named(network(second, 1))
    assert (found.cause, found.site_ids) == ("interference", (1,))


@pytest.mark.parametrize("zone", ["UTC", "Asia/Kolkata", "Australia/Lord_Howe", "America/Denver"])
@pytest.mark.parametrize("hours", [(540, 720), (1320, 90)], ids=["forenoon", "over midnight"])
def test_hours_are_told_by_the_local_clock(zone: str, hours: tuple[int, int]) -> None:
    loss = the_loss(placed({0.0: disturbed(4, hours, zone)}, zone)[0])
    assert loss.hours is not None
    for told, true in zip(loss.hours, hours, strict=True):
        # a clock hour begins on the half hour in some zones; what is told is good to that
        assert abs((told - true + 720) % 1440 - 720) <= 30


@pytest.mark.parametrize("every_s", [15.0, 60.0, 300.0, 900.0])
def test_the_poll_period_changes_when_it_is_named_not_what(every_s: float) -> None:
    trace = disturbed(9, (480, 720), "UTC", 0.5)
    trace.every_s = every_s
    (found,) = named(network([trace, Trace(), Trace(), Trace()], 2))
    assert (found.cause, found.site_ids) == ("interference", (1,))


def test_it_stays_named_all_day_and_for_two_days_after_its_last() -> None:
    ago = 6 * DAY
    until = lambda days: [  # noqa: E731
        (lambda at: daily(ago, *MORNING, "UTC")(at) & (at < NOW - days * DAY), 0.5)
    ]
    still = Trace(burst=until(1.0))
    over = Trace(burst=until(4.0))
    assert [one.cause for one in named(network([still, Trace(), Trace()], 1))] == ["interference"]
    assert named(network([over, Trace(), Trace()], 1)) == []


def test_all_hours_with_a_steady_signal_are_named_after_half_a_day() -> None:
    trace = lambda hours: Trace(burst=[(since(hours * HOUR), 0.35)])  # noqa: E731
    assert named(network([trace(5), Trace(), Trace(), Trace()], 4)) == []
    (found,) = named(network([trace(16), Trace(), Trace(), Trace()], 4))
    assert found.cause == "interference"
    assert "at all hours" in found.says.text


def test_most_of_a_mast_for_days_is_the_masts_receiver() -> None:
    traces = [Trace(burst=[(since(4 * DAY), 0.3)]) for _ in range(4)]
    (found,) = named(network(traces, 6))
    assert (found.cause, found.site_ids) == ("interference", ())
    assert found.touched == (1, 2, 3, 4)


def test_losses_with_a_signal_that_fell_are_no_interference() -> None:
    weak = Trace(burst=[(since(3 * DAY), 0.3)], moved=[lambda at: -9.0 * since(3 * DAY)(at)])
    assert [one.cause for one in named(network([weak, Trace(), Trace(), Trace()], 7))] == [
        "antenna"
    ]


def test_without_a_signal_bursts_at_all_hours_may_be_either() -> None:
    trace = Trace(signal=False, burst=[(since(2 * DAY), 0.35)])
    (found,) = named(network([trace, Trace(), Trace(), Trace()], 8))
    assert found.rivals
    assert found.confidence.value != "all but certain"


def test_what_follows_the_sun_is_not_new_when_the_clock_is_moved() -> None:
    # Denver moved its clock back on 2 November 2025: dawn's losses come an hour earlier on it.
    now_ms = NOW + 20 * DAY
    dawn = lambda at: np.abs(local_minutes(at, "UTC") - 13 * 60) < 45  # noqa: E731
    for seed in range(6):
        trace = Trace(days=28, weak=[(dawn, 0.3)])
        one = evidence(a_site(1, 0, trace), trace, seed, zone="America/Denver", now_ms=now_ms)
        assert named([one]) == []

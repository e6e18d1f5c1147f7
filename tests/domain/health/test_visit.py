"""What speaks for and against a drive, branch by branch; what is not known stays unknown."""

from dataclasses import replace
from pathlib import Path

import pytest

from tallymast.domain import network_file
from tallymast.domain.health.comms.model import (
    AnswerTimes,
    CommHealth,
    ContactChange,
    Outage,
    Returns,
    Share,
    SignalStep,
    SlowAnswers,
)
from tallymast.domain.health.findings import (
    ContactAlarm,
    Finding,
    GatewayLost,
    NeverAnswered,
    NoValue,
    Overdue,
    PathSilent,
    Silent,
    SupplyBelowDisconnect,
    SupplyNearDisconnect,
)
from tallymast.domain.health.judged import SupplyFails, SupplyWatch, WorseTogether
from tallymast.domain.health.site_health import NOT_JUDGED, SiteHealth
from tallymast.domain.health.supply.model import DarkNights, Forecast, SupplyHealth, Verdict
from tallymast.domain.health.together import SilentTogether
from tallymast.domain.health.visit import Advice, Call, Seen, Why, advice
from tallymast.domain.model import Quality, Reading, Site, SiteStatus

NOW_MS = 1_772_964_000_000
MIN, HOUR = 60_000, 3_600_000
DISTRICT = Path(__file__).parents[1] / "grammar/district.toml"
NETWORK = network_file.read(DISTRICT.read_text(encoding="utf-8"), "net.toml")[1]
SITES = {site.key: site for site in NETWORK.sites}
WEIR, FLAT = SITES["upper-weir"], SITES["tern-flat"]
STEADY = SupplyHealth(Verdict.STEADY, nights=30)
JUDGED = SiteHealth(STEADY, CommHealth())
LOW = Reading("VBAT", 11.4, 1140, Quality.GOOD, NOW_MS)


def asked(
    *found: Finding,
    status: SiteStatus = SiteStatus.IN_SERVICE,
    health: SiteHealth = JUDGED,
    minute: int = 8 * 60,
    site: Site = WEIR,
    **more: int,
) -> Advice:
    return advice(Seen(site, status, found, health, minute, NOW_MS, **more))  # type: ignore[arg-type]


def silent(ago_ms: int = HOUR, health: SiteHealth = JUDGED, minute: int = 480) -> Advice:
    finding = Silent(WEIR, NOW_MS - ago_ms, 9, None, None)
    return asked(finding, status=SiteStatus.COMM_FAIL, health=health, minute=minute)


def said(one: Advice) -> tuple[Call, Why]:
    return one.call, one.why


def test_in_contact_and_nothing_found_needs_nobody() -> None:
    assert said(asked()) == (Call.NOBODY, Why.CLEAN)


@pytest.mark.parametrize(
    "health",
    [
        NOT_JUDGED,
        SiteHealth(supply=STEADY),
        SiteHealth(comm=CommHealth()),
        SiteHealth(SupplyHealth(Verdict.FEW_NIGHTS), CommHealth()),
        SiteHealth(SupplyHealth(Verdict.UNKNOWN), CommHealth()),
    ],
)
def test_what_is_not_judged_is_said_not_taken_for_good(health: SiteHealth) -> None:
    assert said(asked(health=health)) == (Call.NOBODY, Why.UNJUDGED)


def test_a_value_that_could_not_be_judged_is_said_too() -> None:
    assert said(asked(unknown=1)) == (Call.NOBODY, Why.UNJUDGED)


def test_a_lost_gateway_sends_nobody_to_its_sites() -> None:
    gateway = NETWORK.gateways[0]
    lost = GatewayLost(gateway, NOW_MS - HOUR, (WEIR.key,), "")
    told = asked(lost, status=SiteStatus.UNREACHABLE)
    assert said(told) == (Call.ELSEWHERE, Why.GATEWAY)
    assert told.start == "Marrowdun mast"
    assert said(asked(status=SiteStatus.UNREACHABLE)) == (Call.ELSEWHERE, Why.GATEWAY)


def test_behind_a_silent_repeater_one_starts_at_the_repeater() -> None:
    path = PathSilent(FLAT, NOW_MS - HOUR, (WEIR.key,), None)
    told = asked(path, status=SiteStatus.COMM_FAIL)
    assert (told.call, told.why, told.start) == (Call.ELSEWHERE, Why.PATH, "tern-flat")
    here = asked(path, status=SiteStatus.COMM_FAIL, site=FLAT)
    assert said(here) == (Call.DRIVE, Why.REPEATER)


@pytest.mark.parametrize(
    ("minute", "call", "why"),
    [
        (3 * 60 + 5, Call.WAIT, Why.RETURNS),
        (10 * 60 + 39, Call.WAIT, Why.RETURNS),
        (10 * 60 + 40, Call.DRIVE, Why.LATE),
        (2 * 60, Call.DRIVE, Why.LATE),
    ],
)
def test_a_site_that_returns_every_day_is_waited_for(minute: int, call: Call, why: Why) -> None:
    # From 03:00 to 10:40 by hand: minutes 180 to 640 of the day.
    health = replace(JUDGED, comm=CommHealth(returns=Returns(4, 180, 640)))
    told = silent(5 * HOUR, health, minute)
    assert (told.call, told.why, told.back_minute) == (call, why, 640)


@pytest.mark.parametrize(
    ("minute", "call"), [(23 * 60 + 30, Call.WAIT), (60, Call.WAIT), (8 * 60, Call.DRIVE)]
)
def test_waiting_goes_over_midnight(minute: int, call: Call) -> None:
    health = replace(JUDGED, comm=CommHealth(returns=Returns(4, 22 * 60, 7 * 60)))
    assert silent(2 * HOUR, health, minute).call is call


def test_a_dark_night_is_waited_out_but_not_a_whole_day() -> None:
    supply = SupplyHealth(Verdict.DARK_AT_NIGHT, dark=DarkNights(4, 180, 55))
    health = SiteHealth(supply, CommHealth())
    told = silent(5 * HOUR, health)
    assert (told.call, told.why, told.after_sunrise_min) == (Call.WAIT, Why.DARK, 55)
    assert said(silent(20 * HOUR, health)) == (Call.DRIVE, Why.SILENT)


def outages(*lasted_min: int) -> CommHealth:
    starts = [NOW_MS - (n + 1) * 24 * HOUR for n in range(len(lasted_min))]
    return CommHealth(
        outages=tuple(
            Outage(1, at, at + length * MIN, 9)
            for at, length in zip(starts, lasted_min, strict=True)
        )
    )


def test_silences_that_ended_by_themselves_speak_for_waiting() -> None:
    health = replace(JUDGED, comm=outages(20, 52, 31))
    told = silent(30 * MIN, health)
    assert said(told) == (Call.WAIT, Why.ENDS_ITSELF)
    assert (told.ended, told.longest_ms) == (3, 52 * MIN)
    assert said(silent(60 * MIN, health)) == (Call.DRIVE, Why.SILENT)
    assert said(silent(30 * MIN, replace(JUDGED, comm=outages(20, 52)))) == (
        Call.DRIVE,
        Why.SILENT,
    )


def test_a_silence_of_minutes_is_looked_at_from_the_desk() -> None:
    assert said(silent(4 * MIN)) == (Call.DESK, Why.YOUNG)
    assert said(silent(16 * MIN)) == (Call.DRIVE, Why.SILENT)
    assert said(silent(16 * MIN, NOT_JUDGED)) == (Call.DRIVE, Why.SILENT)


def test_a_site_that_never_answered_needs_somebody() -> None:
    finding = NeverAnswered(WEIR, NOW_MS - HOUR, 40)
    told = asked(finding, status=SiteStatus.NEVER_ANSWERED)
    assert said(told) == (Call.DRIVE, Why.NEVER)


@pytest.mark.parametrize(
    ("low", "verdict", "call"),
    [
        (5.0, Verdict.NOT_CHARGING, Call.DRIVE),
        (10.0, Verdict.DECLINING, Call.DRIVE),
        (11.0, Verdict.DECLINING, Call.PLAN),
        (15.0, Verdict.NOT_CHARGING, Call.DRIVE),
    ],
)
def test_a_forecast_of_the_disconnect_decides(low: float, verdict: Verdict, call: Call) -> None:
    made = Forecast(NOW_MS, low, low + 2, low + 3, 11.5, 12)
    told = asked(health=SiteHealth(SupplyHealth(verdict, forecast=made), CommHealth()))
    assert (told.call, told.why, told.forecast) == (call, Why.DISCONNECT, made)


@pytest.mark.parametrize(
    ("verdict", "call", "why"),
    [
        (Verdict.DARK_AT_NIGHT, Call.DRIVE, Why.DARK),
        (Verdict.NOT_CHARGING, Call.DRIVE, Why.SUPPLY),
        (Verdict.OVERCHARGING, Call.DRIVE, Why.SUPPLY),
        (Verdict.AGEING, Call.PLAN, Why.SUPPLY),
        (Verdict.DECLINING, Call.PLAN, Why.SUPPLY),
        (Verdict.STUCK, Call.PLAN, Why.SUPPLY),
        (Verdict.TELLS_LITTLE, Call.NOBODY, Why.CLEAN),
    ],
)
def test_a_verdict_without_a_forecast_decides(verdict: Verdict, call: Call, why: Why) -> None:
    assert said(asked(health=SiteHealth(SupplyHealth(verdict), CommHealth()))) == (call, why)


def test_a_supply_at_its_disconnect_needs_somebody_even_where_nothing_was_judged() -> None:
    below = SupplyBelowDisconnect(WEIR, LOW, 11.5)
    near = SupplyNearDisconnect(WEIR, LOW, 11.5)
    for finding in (below, near):
        assert said(asked(finding, health=NOT_JUDGED)) == (Call.DRIVE, Why.DISCONNECT)


def test_a_drive_outweighs_what_can_be_planned() -> None:
    point = WEIR.points[0]
    broken = NoValue(WEIR, point, Reading(point.tag, None, 3580, Quality.NONE, NOW_MS))
    health = SiteHealth(SupplyHealth(Verdict.AGEING), CommHealth())
    assert said(asked(broken, health=health)) == (Call.DRIVE, Why.NO_VALUE)


def test_what_is_abnormal_in_contact_is_looked_at_from_the_desk_first() -> None:
    point = WEIR.points[0]
    alarm = ContactAlarm(WEIR, point, Reading(point.tag, True, 1, Quality.GOOD, NOW_MS))
    assert said(asked(alarm)) == (Call.DESK, Why.FINDING)
    assert said(asked(Overdue(WEIR, NOW_MS - HOUR))) == (Call.DESK, Why.NOT_ASKED)


def shares(part: int) -> Share:
    return Share(part, 1000, 0.0, 1.0)


def change(after: int) -> ContactChange:
    return ContactChange(NOW_MS - HOUR, shares(990), shares(after), shares(980), 0.1)


@pytest.mark.parametrize(
    ("comm", "call"),
    [
        (CommHealth(change=change(740)), Call.DESK),
        (CommHealth(change=change(999)), Call.NOBODY),
        (CommHealth(signal=SignalStep(NOW_MS - HOUR, NOW_MS, -79.0, -98.0)), Call.DESK),
        (CommHealth(signal=SignalStep(NOW_MS - HOUR, NOW_MS, -98.0, -79.0)), Call.NOBODY),
        (
            CommHealth(
                slow=SlowAnswers(NOW_MS, AnswerTimes(90, 120, 900), AnswerTimes(90, 480, 900))
            ),
            Call.DESK,
        ),
    ],
)
def test_contact_that_became_worse_is_tested_from_the_desk(comm: CommHealth, call: Call) -> None:
    assert asked(health=replace(JUDGED, comm=comm)).call is call


@pytest.mark.parametrize(
    ("status", "call", "why"),
    [
        (SiteStatus.NOT_POLLED, Call.UNKNOWN, Why.NOT_POLLED),
        (SiteStatus.MAINTENANCE, Call.OCCUPIED, Why.MAINTENANCE),
    ],
)
def test_what_people_said_of_a_site_comes_first(status: SiteStatus, call: Call, why: Why) -> None:
    lost = GatewayLost(NETWORK.gateways[0], NOW_MS, (WEIR.key,), "")
    assert said(asked(lost, status=status)) == (call, why)


def test_a_site_not_asked_yet_is_unknown() -> None:
    told = asked(status=SiteStatus.NEVER_ANSWERED, waits=True)  # type: ignore[arg-type]
    assert said(told) == (Call.UNKNOWN, Why.NOT_ASKED_YET)


def test_several_sites_silent_together_have_one_cause_elsewhere() -> None:
    together = SilentTogether(NETWORK.gateways[0], (WEIR, FLAT), NOW_MS - HOUR, None)
    told = asked(together, status=SiteStatus.COMM_FAIL)
    assert (told.call, told.why, told.start) == (Call.ELSEWHERE, Why.TOGETHER, "Marrowdun mast")


def test_contact_that_became_worse_with_others_is_not_the_sites_own_fault() -> None:
    shared = WorseTogether(NETWORK.gateways[0], (WEIR, FLAT), NOW_MS - HOUR, (228.0, 241.0))
    assert said(asked(shared)) == (Call.DESK, Why.SHARED)


def test_a_silence_that_the_supply_explains_is_waited_out() -> None:
    dark = SupplyHealth(Verdict.DARK_AT_NIGHT, dark=DarkNights(4, 180, 55))
    fails = SupplyFails(WEIR, dark, NOW_MS - 5 * HOUR)
    told = asked(fails, status=SiteStatus.COMM_FAIL, health=SiteHealth(dark, CommHealth()))
    assert (told.call, told.why, told.since_ms) == (Call.WAIT, Why.DARK, NOW_MS - 5 * HOUR)


def test_a_judged_supply_is_said_once_and_decides() -> None:
    ageing = SupplyHealth(Verdict.AGEING)
    told = asked(SupplyWatch(WEIR, ageing), health=SiteHealth(ageing, CommHealth()))
    assert said(told) == (Call.PLAN, Why.SUPPLY)

"""What the weeks say in sentences: figures with their sample, and what may never be said."""

import re
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markupsafe import Markup
from tests.domain.health import test_losses
from tests.domain.health.test_judged import a_gateway

from tallymast.domain.health.comms.model import (
    AnswerTimes,
    ContactChange,
    Share,
    SignalStep,
    SlowAnswers,
)
from tallymast.domain.health.findings import Finding, PathSilent, Silent
from tallymast.domain.health.judged import (
    AnswersSlower,
    ContactBroken,
    ContactWatch,
    SupplyFails,
    SupplyWatch,
    WorseTogether,
)
from tallymast.domain.health.losses import Fell, GatewayWas
from tallymast.domain.health.supply.model import Forecast, SupplyHealth, Verdict
from tallymast.domain.health.together import SilentTogether
from tallymast.domain.model import Quality, Reading
from tallymast.routes.formats import Clock
from tallymast.routes.health_sentences import listed, loss_sentence, whole_percent
from tallymast.routes.sentences import sentence

NOW = 1_772_964_000_000  # 2026-03-08 10:00 UTC
CLOCK = Clock(ZoneInfo("UTC"), NOW)
HOUR = 3_600_000
GATEWAY = a_gateway(228, 236, 241)
SITE = GATEWAY.sites[0].site
PUMP = test_losses.SITE

# Never shown, whatever is found: a score, a forecast to the hour, a proof from one side only, an
# empty comfort, a bare code. The rules stand with the project's sentences for its pages.
FORBIDDEN = re.compile(
    r"(?i:score|will fail|comm(unication)? error|safe to|suitable|pump started)"
    r"|\bOK\b|0x|None|\bnan\b|100\.0"
)


def said(finding: Finding) -> str:
    return sentence(finding, CLOCK).striptags()


def share(part: int, whole: int = 1000) -> Share:
    return Share(part, whole, max(part / whole - 0.01, 0), min(part / whole + 0.01, 1), whole / 5)


def test_a_moved_antenna_is_told_with_the_two_readings_between_which_it_moved() -> None:
    # After the fifth sentence of the demo: 19 dB in one minute, 99 to 74 %, 98 of 100 delivered.
    step = SignalStep(NOW - 20 * HOUR, NOW - 20 * HOUR + 60_000, -79.0, -98.0)
    change = ContactChange(NOW - 20 * HOUR, share(990), share(740), share(981), 0.01)
    assert said(ContactBroken(SITE, change, step)) == (
        "Site 1: signal fell 19 dB between Sat 7 Mar 14:00 and 14:01 "
        "(\u221279 to \u221298 dBm); first-try 99 \u2192 74 % (1 000 polls); "
        "retries still deliver 98 of 100."
    )


def test_a_lost_gateway_charges_nothing_to_its_sites_and_names_what_fell() -> None:
    fell = Fell(PUMP, PUMP.points[0], NOW - 17 * HOUR, NOW - 16 * HOUR)
    loss = GatewayWas(GATEWAY.gateway, NOW - 18 * HOUR, NOW - 17 * HOUR, 11, (fell,))
    assert loss_sentence(loss, CLOCK).striptags() == (
        "Gateway Mast was unreachable Sat 7 Mar 16:00 to 17:00; not counted against its 11 sites. "
        "Sedge Well pump dropped out at 17:00 as set; re-armed 18:00."
    )


def test_sites_in_one_direction_are_one_sentence() -> None:
    sites = tuple(plan.site for plan in GATEWAY.sites)
    text = said(WorseTogether(GATEWAY.gateway, sites, NOW - 9 * HOUR, (228.0, 241.0)))
    assert text.startswith("Site 1, Site 2 and Site 3 answer worse at the first try since 01:00")
    assert "228 to 241° true" in text
    assert text.count(".") == 1


@pytest.mark.parametrize(
    ("part", "whole", "expected"),
    [(999, 1000, "99"), (1000, 1000, "100"), (1, 1000, "1"), (0, 1000, "0"), (0, 0, "unknown")],
)
def test_a_share_says_a_hundred_only_where_nothing_is_missing(
    part: int, whole: int, expected: str
) -> None:
    assert whole_percent(Share(part, whole)) == expected


def test_names_are_listed_as_one_writes_them() -> None:
    assert listed([]) == ""
    assert listed([Markup("A")]) == "A"
    assert listed(["A", "B", "<C>"]) == "A, B and &lt;C&gt;"


SHARES = st.builds(
    lambda part, more: share(part, part + more + 1), st.integers(0, 9000), st.integers(0, 900)
)
TIMES = st.integers(NOW - 90 * 24 * HOUR, NOW)
DBM = st.floats(-125, -30)
CHANGES = st.builds(ContactChange, TIMES, SHARES, SHARES, SHARES, st.just(0.01))
STEPS = st.builds(SignalStep, TIMES, TIMES, DBM, DBM)
ANSWERS = st.builds(AnswerTimes, st.floats(30, 900), st.floats(30, 9000), st.integers(1, 10**6))
FORECASTS = st.builds(
    Forecast,
    TIMES,
    st.floats(0, 60),
    st.floats(0, 90),
    st.none() | st.floats(0, 200),
    st.just(11.5),
    st.integers(1, 45),
    st.booleans(),
)
SUPPLIES = st.builds(
    SupplyHealth,
    st.sampled_from(Verdict),
    st.integers(0, 45),
    predawn_v=st.none() | st.floats(9, 15),
    forecast=st.none() | FORECASTS,
)
READINGS = st.builds(
    Reading,
    st.just("VBAT"),
    st.none() | st.floats(9, 15),
    st.none(),
    st.sampled_from(Quality),
    st.none() | TIMES,
)
FINDINGS = st.one_of(
    st.builds(ContactBroken, st.just(SITE), CHANGES, st.none() | STEPS),
    st.builds(ContactWatch, st.just(SITE), st.none(), STEPS),
    st.builds(AnswersSlower, st.just(SITE), st.builds(SlowAnswers, TIMES, ANSWERS, ANSWERS)),
    st.builds(SupplyFails, st.just(SITE), SUPPLIES, st.none() | TIMES),
    st.builds(SupplyWatch, st.just(SITE), SUPPLIES),
    st.builds(
        SilentTogether,
        st.just(GATEWAY.gateway),
        st.just((SITE,) * 4),
        TIMES,
        st.none() | st.just((350.0, 20.0)),
    ),
    st.builds(
        PathSilent, st.just(SITE), TIMES, st.just(("site-2", "site-3")), st.none() | READINGS
    ),
    st.builds(Silent, st.just(SITE), TIMES, st.integers(3, 900), st.none() | TIMES, READINGS),
)


@given(FINDINGS)
def test_what_is_forbidden_cannot_be_said(finding: Finding) -> None:
    text = said(finding)
    assert not FORBIDDEN.search(text), text
    assert text.endswith(".")
    assert "%" not in text or "polls" in text  # a share stands with the polls it rests on


@given(FINDINGS)
def test_no_forecast_names_a_day_or_an_hour(finding: Finding) -> None:
    text = said(finding)
    if "disconnect" in text:
        told = text[text.index("disconnect") :].partition(" Dark now")[0]
        assert not re.search(r"\d\d:\d\d|Mon|Tue|Wed|Thu|Fri|Sat|Sun", told), text

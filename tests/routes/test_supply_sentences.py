"""What is said of a supply: the trade's own sentences, and what no sentence may ever hold."""

import re
from dataclasses import replace
from datetime import date
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markupsafe import Markup

from tallymast.domain.health.supply.model import (
    DarkNights,
    Forecast,
    SupplyHealth,
    Trend,
    Verdict,
)
from tallymast.domain.model import Chemistry, Site, Supply, SupplyKind
from tallymast.routes.formats import Clock
from tallymast.routes.supply_sentences import (
    disconnect_words,
    supply_sentence,
    supply_words,
)

DAY_MS = 86_400_000
NOW_MS = 1_795_619_000_000  # 2026-11-25 15:03 UTC, 08:03 in Denver
CLOCK = Clock(ZoneInfo("America/Denver"), NOW_MS)
AGM = Supply(SupplyKind.SOLAR, Chemistry.AGM, 12.0, 33.0, installed=date(2020, 4, 18))
CALM = {Verdict.STEADY, Verdict.TELLS_LITTLE, Verdict.UNKNOWN}


def site(supply: Supply | None = AGM, name: str = "Tern Flat") -> Site:
    key = name.lower().replace(" ", "-")
    return Site(
        key=key,
        name=name,
        gateway="mast",
        unit=5,
        profile="tank",
        points=(),
        max_words=20,
        spare=(),
        reply_timeout_s=2.0,
        retries=2,
        turnaround_ms=20.0,
        miss_limit=3,
        supply=supply,
    )


def plain(text: Markup | None) -> str:
    assert text is not None
    return re.sub(r"<[^>]*>", "", str(text)).replace("\u00a0", " ")


def forecast(low: float, high: float | None, **more: object) -> Forecast:
    median = low if high is None else (low + high) / 2
    made = Forecast(NOW_MS, low, median, high, 11.5, nights=9)
    return replace(made, **more)  # type: ignore[arg-type]


def test_no_charge_is_said_with_its_days_and_a_range() -> None:
    # The trade's sentence: "Tern Flat: no charge for 9 days, pre-dawn 12.2 V; load disconnect
    # (11.5 V) in 5 to 8 days."
    health = SupplyHealth(
        Verdict.NOT_CHARGING,
        nights=60,
        predawn_v=12.2,
        charged_ms=NOW_MS - 9 * DAY_MS + 4 * 3_600_000,
        forecast=forecast(5.2, 7.7),
    )
    said = supply_sentence(site(), health, CLOCK)
    assert plain(said) == (
        "Tern Flat: no charge for 9 days, pre-dawn 12.2 V; load disconnect (11.5 V) in 5 to 8 days."
    )
    assert '<a href="/sites/tern-flat"><strong>Tern Flat</strong></a>' in str(said)


def test_dark_nights_are_said_with_hour_count_peak_and_age() -> None:
    # The trade's sentence: "Merlin Pad goes dark about 03:00 and returns within an hour of
    # sunrise, 4 nights running; charge peak is normal. Battery is 6 years old".
    health = SupplyHealth(
        Verdict.DARK_AT_NIGHT,
        nights=57,
        dark=DarkNights(4, 172, 37),
        absorbed_ms=NOW_MS - 20 * 3_600_000,
        age_days=2412,
    )
    assert plain(supply_sentence(site(name="Merlin Pad"), health, CLOCK)) == (
        "Merlin Pad goes dark about 03:00 and returns within an hour of sunrise, "
        "4 nights running; charge peak is normal. Battery is 6 years old."
    )


def test_few_nights_are_said_to_be_few() -> None:
    health = SupplyHealth(Verdict.FEW_NIGHTS, nights=3, predawn_v=12.6)
    one = site(name="Fennel Dosing")
    expected = "3 nights only, no supply trend yet."
    assert plain(supply_sentence(one, health, CLOCK)) == f"Fennel Dosing: {expected}"
    assert plain(supply_words(one, health, CLOCK)) == expected


def test_lithium_is_said_to_tell_little() -> None:
    lithium = site(Supply(SupplyKind.SOLAR, Chemistry.LIFEPO4))
    health = SupplyHealth(Verdict.TELLS_LITTLE, nights=60, predawn_v=13.2)
    assert supply_sentence(lithium, health, CLOCK) is None
    assert "voltage tells little here" in plain(supply_words(lithium, health, CLOCK)).lower()


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (5.2, 7.7, "in 5 to 8 days"),
        (5.1, 5.4, "in 5 to 6 days"),
        (0.1, 0.8, "within a day"),
        (0.4, 2.6, "within 3 days"),
        (31.0, 44.0, "in more than 30 days"),
        (12.4, None, "not within 12 days"),
        (12.4, 80.0, "not within 12 days"),
        (6.0, 6.0, "in 6 to 7 days"),
    ],
)
def test_a_forecast_is_a_range_of_whole_days(low: float, high: float | None, words: str) -> None:
    # By hand: the low end rounded down, the high end up; no range is ever one day.
    said = disconnect_words(forecast(low, high), NOW_MS).replace("\u00a0", " ")
    assert said == f"load disconnect (11.5 V) {words}"


def test_days_that_have_passed_since_a_forecast_are_taken_off() -> None:
    aged = forecast(5.2, 7.7, at_ms=NOW_MS - 2 * DAY_MS)
    assert disconnect_words(aged, NOW_MS).endswith("in 3 to 6 days")


def test_a_forecast_from_few_nights_says_from_how_many() -> None:
    wide = forecast(3.0, 9.5, nights=4, wide=True)
    assert disconnect_words(wide, NOW_MS).endswith("in 3 to 10 days, from 4 nights only")


def test_mains_lost_is_not_said_as_a_panel_s_trouble() -> None:
    floated = site(Supply(SupplyKind.MAINS_WITH_BATTERY, Chemistry.AGM))
    health = SupplyHealth(
        Verdict.NOT_CHARGING, nights=20, predawn_v=12.6, charged_ms=NOW_MS - 3 * DAY_MS
    )
    said = plain(supply_sentence(floated, health, CLOCK))
    assert said == "Tern Flat: charger or mains lost for 3 days, pre-dawn 12.6 V."


def test_a_name_cannot_bring_markup_of_its_own() -> None:
    health = SupplyHealth(Verdict.FEW_NIGHTS, nights=2)
    said = str(supply_sentence(site(name="<b>Pad"), health, CLOCK))
    assert "&lt;b&gt;Pad" in said


# --- any health at all ---------------------------------------------------------------------

VOLTS = st.one_of(st.none(), st.floats(9.0, 32.0))
AGO = st.one_of(st.none(), st.integers(0, 90).map(lambda days: NOW_MS - days * DAY_MS))


@st.composite
def forecasts(draw: st.DrawFn) -> Forecast:
    low = draw(st.floats(0.0, 60.0))
    median = low + draw(st.floats(0.0, 20.0))
    high = draw(st.one_of(st.none(), st.floats(0.0, 80.0).map(lambda more: median + more)))
    nights = draw(st.integers(2, 40))
    at_ms = NOW_MS - draw(st.integers(0, 3)) * DAY_MS
    return Forecast(at_ms, low, median, high, draw(st.floats(10.5, 23.5)), nights, nights < 7)


@st.composite
def healths(draw: st.DrawFn) -> SupplyHealth:
    slope = draw(st.floats(-0.2, 0.1))
    return SupplyHealth(
        draw(st.sampled_from(Verdict)),
        nights=draw(st.integers(0, 60)),
        predawn_v=draw(VOLTS),
        predawn_day=draw(st.one_of(st.none(), st.integers(20_700, 20_782))),
        since_ms=draw(AGO),
        trend=draw(
            st.one_of(
                st.none(),
                st.integers(7, 14).map(lambda n: Trend(n, slope, slope - 0.01, slope + 0.01)),
            )
        ),
        forecast=draw(st.one_of(st.none(), forecasts())),
        sag_v=draw(st.one_of(st.none(), st.floats(0.0, 3.0))),
        sag_grows=draw(st.booleans()),
        charged_ms=draw(AGO),
        absorbed_ms=draw(AGO),
        dark=draw(
            st.one_of(
                st.none(),
                st.builds(
                    DarkNights, st.integers(2, 30), st.integers(0, 1439), st.integers(0, 360)
                ),
            )
        ),
        age_days=draw(st.one_of(st.none(), st.integers(0, 5000))),
        peak_v=draw(VOLTS),
    )


SUPPLIES = st.sampled_from(
    [
        AGM,
        None,
        Supply(SupplyKind.SOLAR, Chemistry.LIFEPO4),
        Supply(SupplyKind.MAINS_WITH_BATTERY, Chemistry.GEL, 24.0),
        Supply(SupplyKind.MAINS),
        Supply(SupplyKind.PRIMARY, Chemistry.LITHIUM_PRIMARY, 14.4),
    ]
)
UNITS = r"(?: V| s\b|-day| days?| nights?| hours?| h| min| months?| years?)"
DAY_NAMES = r"\b(?:Mon|Tues?|Wed(?:nes)?|Thu(?:rs)?|Fri|Sat(?:ur)?|Sun)(?:day)?\b"


@settings(max_examples=150, deadline=None)
@given(SUPPLIES, healths())
def test_no_words_ever_promise_what_cannot_be_known(
    supply: Supply | None, health: SupplyHealth
) -> None:
    one = site(supply, "Far Pad")
    finding = supply_sentence(one, health, CLOCK)
    texts = [plain(supply_words(one, health, CLOCK))]
    if health.verdict in CALM:
        assert finding is None
    else:
        texts.append(plain(finding))
    for text in texts:
        assert not re.search(DAY_NAMES, text)
        assert not re.search(r"will (?:fail|die|be empty)|None|nan|inf\b", text)
        assert "%" not in text
        assert text.endswith(".")
        check_figures(text)
        check_forecast(text)


def check_figures(text: str) -> None:
    """Every number has a unit behind it, or is the hour of a dark night or the first of a range."""
    left = re.sub(r"about \d\d:\d\d and", "", text)
    left = re.sub(r"\d+ to (?=\d)", "", left)
    for number in re.finditer(r"\d[\d.,\u202f]*", left):
        rest = left[number.end() :]
        assert re.match(UNITS, rest), f"{number.group()!r} has no unit in: {text}"


def check_forecast(text: str) -> None:
    """A forecast is a range or a bound of days, without any clock, and says few nights."""
    _, found, after = text.partition("load disconnect")
    if not found:
        return
    said = after.split(".  ")[0].split(" Looked at")[0]
    assert not re.search(r"\d\d:\d\d", said)
    assert re.search(
        r"in \d+ to \d+ days|within \d+ days|within a day|in more than 30 days|not within \d+ days"
        r"|perhaps within days, perhaps never",
        said,
    ), text


@settings(max_examples=60, deadline=None)
@given(healths())
def test_words_of_a_site_say_what_was_looked_at(health: SupplyHealth) -> None:
    text = plain(supply_words(site(), health, CLOCK))
    quiet = {Verdict.UNKNOWN}
    if health.nights and health.verdict not in quiet:
        assert re.search(rf"\b{health.nights} nights?\b", text)

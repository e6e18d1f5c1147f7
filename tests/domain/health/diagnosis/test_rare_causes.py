"""Causes that are seldom seen: each is named where its evidence is plain, and not without it."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
from tests.domain.health.diagnosis import contact_traces as contact
from tests.domain.health.diagnosis.supply_traces import (
    DAY,
    HOUR,
    STEP,
    Floats,
    Ints,
    Made,
    Shown,
    causes,
    named,
    neighbours,
    shown,
    site_of,
    text_of,
)

from tallymast.domain.health.diagnosis.diagnose import diagnose
from tallymast.domain.health.diagnosis.evidence import Moment, SiteEvidence
from tallymast.domain.health.diagnosis.model import About, Confidence
from tallymast.domain.health.weighing import weigh
from tallymast.domain.model import (
    Chemistry,
    Point,
    PointKind,
    SiteStatus,
    Supply,
    SupplyKind,
    Table,
    WordLayout,
)

PACK = Supply(SupplyKind.PRIMARY, Chemistry.LITHIUM_PRIMARY, 14.4, 38.0)
LEVEL = Point(
    "LVL", "Level", PointKind.ANALOG_INPUT, Table.INPUT, 3, WordLayout.UINT16, value=(0.0, 5.0)
)


def instants(made: Made) -> Ints:
    return np.arange(made.where.ms(0.0), made.where.ms(made.days), STEP, dtype=np.int64)


def scatter(n: int, scale: float, seed: int = 5) -> Floats:
    return np.random.default_rng(seed).laplace(0.0, scale, n)


# --- supplies ------------------------------------------------------------------------------


def test_an_empty_battery_of_a_young_site_leaves_battery_and_charging_open() -> None:
    small = replace(Made().supply, capacity_ah=8.0)
    site = shown(Made(supply=small, days=9.0, cut=(1.3, 99.0)))
    silent_from = float(np.flatnonzero(np.isnan(site.series["VBAT"][1]))[0]) * STEP / DAY
    (found,) = named([site], silent_from + 0.2)
    assert (found.cause, found.about) == ("ran-down", About.SUPPLY)
    assert found.confidence is not Confidence.SURE
    assert About.CONTACT in found.explains


def test_a_primary_pack_that_leaves_its_level_is_near_its_end() -> None:
    made = Made(supply=PACK, days=40.0)
    at_ms = instants(made)
    day = (at_ms - at_ms[0]) / DAY
    flat = 14.1 + scatter(len(at_ms), 0.01)
    falls = flat - np.clip(day - 34.0, 0.0, None) * 0.12
    assert causes([Shown(made, site_of(made), {"VBAT": (at_ms, flat)})], 39.0) == []
    (found,) = named([Shown(made, site_of(made), {"VBAT": (at_ms, falls)})], 39.0)
    assert found.cause == "primary-pack"
    assert "38\u00a0Ah lithium primary" in text_of(found.advice)


def test_a_voltage_that_stands_while_the_level_moves_accuses_the_meter() -> None:
    made = Made(days=24.0)
    at_ms, volts = shown(made).series["VBAT"]
    level = 2.5 + 0.8 * np.sin(np.arange(len(at_ms)) / 40.0) + scatter(len(at_ms), 0.01)
    stands = np.where(at_ms >= made.where.ms(21.6), 12.62, volts)
    site = site_of(made, LEVEL)
    both = {"VBAT": (at_ms, stands), "LVL": (at_ms, level)}
    (found,) = named([Shown(made, site, both)], 23.6)
    assert (found.cause, found.about) == ("supply-reading-stuck", About.SUPPLY)
    neither = {"VBAT": (at_ms, stands), "LVL": (at_ms, np.where(stands == 12.62, 2.5, level))}
    assert "supply-reading-stuck" not in causes([Shown(made, site, neither)], 23.6)


def test_a_panel_that_gives_two_fifths_is_weak_where_its_neighbours_are_not() -> None:
    made = Made(days=34.0, panel_a=0.9, dim=lambda day: 0.42 if day >= 22.0 else 1.0)
    sites = [shown(made), *neighbours(made)]
    found = named(sites, 32.8)
    assert [one.cause for one in found] == ["weak-charge"]
    dim = [shown(replace(one.made, dim=made.dim)) for one in sites]
    assert causes(dim, 32.8) == []  # the same at all of them is weather


# --- contact -------------------------------------------------------------------------------


def slow_site(number: int, slow_days: int) -> SiteEvidence:
    """A sound site whose late answers take twice as long in its last days."""
    trace = contact.Trace(days=21.0)
    site, gateway = contact.a_site(number, 90.0 * number, trace), contact.a_gateway()
    record, _ = contact.record_of(trace, number)
    begin = contact.NOW - 20 * contact.DAY
    days = [(begin + n * contact.DAY, usual(late=n >= 20 - slow_days)) for n in range(20)]
    site = replace(site, gateway=gateway.key)
    record = replace(record, answers=days)
    health = weigh(gateway, site, record, contact.NOW, ZoneInfo("UTC"))
    moment = Moment(SiteStatus.IN_SERVICE, last_answer_ms=contact.NOW - HOUR)
    return SiteEvidence(number, site, 1, gateway, contact.NOW, moment, health)


def usual(*, late: bool) -> dict[int, int]:
    """Answers of a day: nine of ten about 130 ms (bucket 28), the rest 180 or 370 ms."""
    return {28: 1200, 30: 40, 34: 160} if late else {28: 1200, 30: 200}


def test_late_answers_alone_are_a_possible_beginning() -> None:
    sites = [slow_site(1, 4), slow_site(2, 0), slow_site(3, 0), slow_site(4, 0)]
    (found,) = diagnose(sites)
    assert (found.cause, found.site_ids) == ("slow-answers", (1,))
    assert found.confidence is Confidence.POSSIBLE


def test_late_answers_of_a_whole_mast_are_its_channel() -> None:
    assert diagnose([slow_site(n, 4) for n in (1, 2, 3, 4)]) == ()

"""What is no trouble of a site: nothing is named of it, whatever its habits and weather."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.domain.health.diagnosis.contact_traces import (
    DAY,
    HOUR,
    NOW,
    Trace,
    daily,
    named,
    network,
    since,
)

ZONES = ("UTC", "Asia/Kolkata", "Australia/Lord_Howe")


def lively(rng: np.random.Generator, zone: str) -> Trace:
    """A sound site of any kind, with bad spells and a bad hour of its own each day."""
    first = int(rng.integers(0, 1380))
    return Trace(
        days=rng.uniform(8, 30),
        every_s=float(rng.choice([30, 60, 120, 300, 900])),
        loss=rng.uniform(0.001, 0.03),
        bad=rng.uniform(0.0, 0.04),
        spell_s=rng.uniform(60, 500),
        dbm=rng.uniform(-100, -65),
        scatter_db=rng.uniform(0.4, 2.2),
        step_db=float(rng.choice([0.5, 1, 3])),
        day_db=rng.uniform(0, 3),
        signal=bool(rng.random() < 0.8),
        weak=[(daily(60 * DAY, first, (first + 150) % 1440, zone), rng.uniform(0, 0.2))],
    )


@pytest.mark.parametrize("seed", range(12))
def test_sound_sites_with_habits_are_left_alone(seed: int) -> None:
    rng = np.random.default_rng(seed)
    zone = ZONES[seed % 3]
    assert named(network([lively(rng, zone) for _ in range(4)], seed, zone=zone)) == []


@pytest.mark.parametrize("until_h", [0, 3, 12, 30])
def test_a_day_of_storm_over_the_whole_network_names_nothing(until_h: int) -> None:
    where = since((until_h + 20) * HOUR, until_h * HOUR)
    storm = [Trace(burst=[(where, 0.2)], moved=[lambda at: -2.5 * where(at)]) for _ in range(5)]
    assert named(network(storm, until_h)) == []


@pytest.mark.parametrize("until_h", [0, 1, 5, 20])
def test_one_bad_hour_names_nothing(until_h: int) -> None:
    where = since((until_h + 1.5) * HOUR, until_h * HOUR)
    assert named(network([Trace(burst=[(where, 0.5)]), Trace(), Trace()], until_h)) == []


def test_an_outage_that_is_over_names_nothing() -> None:
    back = Trace(silent=[since(30 * HOUR, 22 * HOUR)])
    assert named(network([back, Trace(), Trace()], 1)) == []


def test_gaps_in_the_record_name_nothing() -> None:
    gaps = [(NOW - 9 * DAY, NOW - 6 * DAY), (NOW - 2 * DAY, NOW - 1 * DAY)]
    assert named(network([Trace(gaps=gaps) for _ in range(3)], 2)) == []


@settings(max_examples=6, deadline=None)
@given(polls=st.integers(1, 60), silent=st.booleans(), seed=st.integers(0, 999))
def test_a_handful_of_polls_names_nothing(polls: int, silent: bool, seed: int) -> None:
    trace = Trace(days=polls / 1440, weak=[(since(DAY), 0.5)])
    trace.silent = [since(10 * 60_000)] if silent else []
    assert named(network([trace], seed)) == []


@pytest.mark.parametrize("days", [1.0, 3.0, 6.0])
def test_under_a_week_nothing_but_silence_is_named(days: float) -> None:
    trace = Trace(
        days=days,
        burst=[(since(days * DAY / 3), 0.4)],
        moved=[lambda at: -15.0 * since(days * DAY / 3)(at)],
    )
    assert named(network([trace, Trace(), Trace()], 3)) == []

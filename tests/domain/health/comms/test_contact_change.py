"""A fall of the first-try share: found in time, told while it lasts, and hardly ever for nothing.

False alarms are held by simulation: every hour of 200 months of sites that never change.
"""

import numpy as np
import pytest

from tallymast.domain.health.comms.baselines import LIMIT, blocks_of, window_scores
from tallymast.domain.health.comms.changes import contact_change, signal_step, step_between_hours
from tallymast.domain.health.comms.intervals import design_effect
from tallymast.domain.health.comms.model import ContactChange, Outage, SignalStep

HOUR = 3_600_000
BEFORE = 14 * 24
MONTH = 30 * 24
SITES = 200


def judged(
    late: np.ndarray, polls: int = 60, missed: np.ndarray | None = None
) -> ContactChange | None:
    """What is said after the last of these hours, each with so many late polls."""
    begins = np.arange(len(late)) * HOUR
    asked = np.full(len(late), polls)
    counts = np.stack([asked, asked - late, late // 12 if missed is None else missed], axis=1)
    return contact_change(begins, counts, now_ms=len(late) * HOUR)


def falls(rng: np.random.Generator, *parts: tuple[int, float], polls: int = 60) -> np.ndarray:
    """Late polls of hours in a row: so many hours at such a share late."""
    return np.concatenate([rng.binomial(polls, share, hours) for hours, share in parts])


def test_a_fall_from_99_to_74_percent_is_found_within_two_whole_hours() -> None:
    found, in_time = 0, 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        # it begins within an hour, of which a part is still well
        part = rng.random()
        late = falls(rng, (BEFORE, 0.01), (1, 0.01 + 0.25 * part), (2, 0.26))
        change = judged(late)
        found += change is not None
        in_time += change is not None and abs(change.at_ms - BEFORE * HOUR) <= HOUR
    assert found >= 190
    assert in_time >= 0.95 * found


def test_a_change_is_told_with_its_shares() -> None:
    rng = np.random.default_rng(1)
    change = judged(falls(rng, (BEFORE, 0.01), (96, 0.26)))
    assert change is not None
    assert change.at_ms == BEFORE * HOUR
    assert change.before.share == pytest.approx(0.99, abs=0.003)
    assert change.after.share == pytest.approx(0.74, abs=0.02)
    assert change.delivered.share == pytest.approx(0.98, abs=0.01)
    assert change.after.is_known
    assert change.false_alarms == 0.01


def test_a_change_is_told_every_hour_while_it_lasts() -> None:
    rng = np.random.default_rng(7)
    late = falls(rng, (BEFORE, 0.01), (120, 0.26))
    for hours in range(3, 121, 3):
        change = judged(late[: BEFORE + hours])
        assert change is not None
        assert abs(change.at_ms - BEFORE * HOUR) <= HOUR


def test_the_hour_that_is_not_over_does_not_count() -> None:
    rng = np.random.default_rng(7)
    late = falls(rng, (BEFORE, 0.01), (2, 0.26))
    counts = np.stack([np.full(len(late), 60), 60 - late, late // 12], axis=1)
    begins = np.arange(len(late)) * HOUR
    assert contact_change(begins, counts, now_ms=len(late) * HOUR) is not None
    assert contact_change(begins, counts, now_ms=len(late) * HOUR - 1) is None


def test_a_change_is_told_until_the_share_is_back_for_a_day() -> None:
    for seed in range(40):
        rng = np.random.default_rng(seed)
        late = falls(rng, (BEFORE, 0.01), (96, 0.26), (24, 0.01))
        assert judged(late[: BEFORE + 96]) is not None
        assert judged(late) is None


def test_a_site_that_gets_better_is_not_accused() -> None:
    for seed in range(40):
        rng = np.random.default_rng(seed)
        assert judged(falls(rng, (BEFORE, 0.2), (96, 0.01))) is None


def test_more_retries_are_seen_behind_bursts_of_misses() -> None:
    rng = np.random.default_rng(8)
    missed = bursty(rng, 0.01, 0.2, 60)[:40, : BEFORE + 4]
    chance = np.where(np.arange(BEFORE + 4) < BEFORE, 0.02, 0.22)
    late = missed + rng.binomial(60 - missed, chance)
    found = [judged(row, missed=lost) for row, lost in zip(late, missed, strict=True)]
    assert sum(change is not None for change in found) >= 36


def test_misses_that_become_retries_are_no_fall() -> None:
    rng = np.random.default_rng(9)
    late = falls(rng, (BEFORE + 48, 0.05))
    missed = np.where(np.arange(len(late)) < BEFORE, late, 0)  # retries were switched on
    assert judged(late, missed=missed) is None


def test_a_slow_drift_is_found_late_but_found() -> None:
    rng = np.random.default_rng(2)
    drift = np.concatenate([np.full(BEFORE, 0.01), np.linspace(0.01, 0.03, 240)])
    assert judged(rng.binomial(60, np.concatenate([drift, np.full(72, 0.03)]))) is not None


def test_new_interference_at_some_hours_of_the_day_is_found_in_days() -> None:
    rng = np.random.default_rng(3)
    hour = np.arange(12 * 24) % 24
    since = rng.binomial(60, np.where((hour >= 5) & (hour < 8), 0.6, 0.02))
    change = judged(np.concatenate([rng.binomial(60, 0.02, BEFORE), since]))
    assert change is not None
    assert abs(change.at_ms - BEFORE * HOUR) <= 24 * HOUR


@pytest.mark.parametrize("hours", [2, 60, 167])
def test_without_seven_days_before_there_is_no_baseline(hours: int) -> None:
    rng = np.random.default_rng(4)
    assert judged(falls(rng, (hours, 0.01), (10, 0.3))[: 168 + 1]) is None


def test_an_outage_is_no_change_of_the_share() -> None:
    rng = np.random.default_rng(5)
    late = falls(rng, (BEFORE, 0.01), (7, 0.01))
    late[-5:] = [30, 60, 60, 60, 30]  # silent from half past to half past
    missed = late // 12
    missed[-5:] = late[-5:]
    for hours in range(1, 6):
        assert judged(late[: BEFORE + 2 + hours], missed=missed[: BEFORE + 2 + hours]) is None


def test_hours_of_a_known_outage_are_left_out() -> None:
    # from half past to half past: 30 answers in each hour, and probes that find nobody
    rng = np.random.default_rng(5)
    late = falls(rng, (BEFORE, 0.01))
    asked = np.append(np.full(BEFORE, 60), [40, 40])
    late = np.append(late, [10, 10])
    counts = np.stack([asked, asked - late, late], axis=1)
    begins, now_ms = np.arange(len(late)) * HOUR, len(late) * HOUR
    outage = Outage(7, BEFORE * HOUR + HOUR // 2, BEFORE * HOUR + 3 * HOUR // 2, 20)
    assert contact_change(begins, counts, now_ms=now_ms) is not None
    assert contact_change(begins, counts, now_ms=now_ms, outages=[outage]) is None


def test_nothing_is_said_of_a_site_not_heard_for_a_day() -> None:
    rng = np.random.default_rng(6)
    late = falls(rng, (BEFORE, 0.01), (30, 0.26))
    counts = np.stack([np.full(len(late), 60), 60 - late, late // 12], axis=1)
    begins = np.arange(len(late)) * HOUR
    assert contact_change(begins, counts, now_ms=len(late) * HOUR) is not None
    assert contact_change(begins, counts, now_ms=(len(late) + 30) * HOUR) is None
    assert contact_change(begins[:0], counts[:0], now_ms=0) is None


# --- false alarms ---------------------------------------------------------------------


def bursty(rng: np.random.Generator, p: float, r: float, polls: int) -> np.ndarray:
    """Missed polls by hour of sites whose channel fails with chance p a poll, heals with r."""
    hours = BEFORE + MONTH
    missed = np.zeros((hours, SITES), np.int64)
    bad = rng.random(SITES) < p / (p + r)
    for hour in range(hours):
        for luck in rng.random((polls, SITES)):
            missed[hour] += bad
            bad = np.where(bad, luck >= r, luck < p)
    return missed.T


def steady(rng: np.random.Generator, share: float | np.ndarray, polls: int) -> np.ndarray:
    return rng.binomial(polls, share, (SITES, BEFORE + MONTH))


def false_months(late: np.ndarray, polls: int, missed: np.ndarray | None = None) -> int:
    """In how many of the sites' months anything was named, judged after each block of hours.

    Where it is not said how many were missed, each late poll was with a chance of one in eight.
    """
    if missed is None:
        missed = np.random.default_rng(16).binomial(late, 0.125)
    named = 0
    for row, lost in zip(late, missed, strict=True):
        of_asked = blocks_of(row, np.full(len(row), polls))
        of_answered = blocks_of(row - lost, np.maximum(polls - lost, 1))
        named += any(
            (window_scores(blocks)[BEFORE // blocks.hours :] >= LIMIT).any()
            for blocks in (of_asked, of_answered)
        )
    return named


# At the stated rate, 1 in 100 site-months, 200 months have 2; more than 5 would come to pass once
# in 60 such tests (scipy.stats.poisson.sf(5, 2) = 0.0166).
AT_MOST = 5


@pytest.mark.parametrize(("share", "polls"), [(0.001, 60), (0.01, 60), (0.1, 12)])
def test_clean_and_lossy_sites_are_hardly_ever_accused(share: float, polls: int) -> None:
    rng = np.random.default_rng(11)
    assert false_months(steady(rng, share, polls), polls) <= AT_MOST


@pytest.mark.parametrize(("p", "r", "polls"), [(0.01, 0.2, 60), (0.05, 0.25, 12)])
def test_sites_that_miss_in_bursts_are_hardly_ever_accused(p: float, r: float, polls: int) -> None:
    rng = np.random.default_rng(12)
    missed = bursty(rng, p, r, polls)
    late = missed + rng.binomial(polls - missed, 0.02)
    assert false_months(late, polls, missed) <= AT_MOST


@pytest.mark.parametrize("share", [0.19, 0.6])
def test_interference_that_was_there_every_day_is_hardly_ever_a_change(share: float) -> None:
    hour = np.arange(BEFORE + MONTH) % 24
    late = steady(np.random.default_rng(13), np.where((hour >= 5) & (hour < 8), share, 0.02), 60)
    assert false_months(late, 60) <= AT_MOST


def test_hours_that_differ_by_chance_are_hardly_ever_a_change() -> None:
    rng = np.random.default_rng(14)
    share = np.minimum(0.02 * rng.lognormal(0, 0.7, (SITES, BEFORE + MONTH)), 1)
    assert false_months(rng.binomial(60, share), 60) <= AT_MOST


def test_the_newest_hour_is_judged_alike_alone() -> None:
    for seed, polls in enumerate((60, 12, 4)):
        late = np.random.default_rng(seed).binomial(polls, 0.1, 500)
        late[-30:] = np.random.default_rng(seed).binomial(polls, 0.3, 30)
        blocks = blocks_of(late, np.full(500, polls))
        assert window_scores(blocks, newest_only=True)[0] == window_scores(blocks)[-1] > 0


def test_the_scatter_of_a_baseline_is_its_design_effect() -> None:
    # a week of hours that differ more than its days: one fall, judged by the same dispersion
    rng = np.random.default_rng(15)
    late = rng.binomial(60, np.where(np.arange(BEFORE) % 6 == 0, 0.3, 0.02))
    calm = np.append(late, [22, 22])
    plain = np.append(rng.binomial(60, late.mean() / 60, BEFORE), [22, 22])
    ratio = (
        window_scores(blocks_of(plain, np.full(len(plain), 60)), newest_only=True)[0]
        / window_scores(blocks_of(calm, np.full(len(calm), 60)), newest_only=True)[0]
    )
    expected = design_effect(late, np.full(BEFORE, 60)) / design_effect(
        plain[:BEFORE], np.full(BEFORE, 60)
    )
    assert ratio == pytest.approx(expected, rel=0.3)  # the plain week's share differs by chance


def test_a_step_behind_a_gap_is_told_by_its_hours() -> None:
    # Ours, by hand: -70 dBm, three hours without any reading, then -88 dBm.
    begins = np.arange(60, dtype=np.int64) * 3_600_000
    means = np.where(np.arange(60) < 30, -70.0, -88.0)
    means[30:33] = np.nan
    place = signal_step(begins, means)
    assert place == 33
    step = step_between_hours(begins, means, place)
    assert step == SignalStep(30 * 3_600_000, 33 * 3_600_000, -70.0, -88.0)
    assert step_between_hours(begins, np.full(60, -70.0), 33) is None

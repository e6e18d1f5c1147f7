"""Bursts of misses, against the values of NTIA's Gilbert-Elliott model (stored numbers)."""

import numpy as np
import pytest

from tallymast.domain.health.comms.bursts import (
    Channel,
    channel_of,
    gilbert_elliott,
    mean_burst,
    transitions,
)


@pytest.mark.parametrize(
    ("p", "r", "loss", "burst", "lag1"),
    [
        # NTIA gilbert-elliot-model (2022-12-14), model_error_statistics(p, r, k=1, h=0)
        (0.05, 0.25, 0.1666667, 4.0, 0.70),
        (0.01, 0.20, 0.0476190, 5.0, 0.79),
        (0.02, 0.50, 0.0384615, 2.0, 0.48),
    ],
)
def test_a_channel_loses_as_published(
    p: float, r: float, loss: float, burst: float, lag1: float
) -> None:
    channel = Channel(p, r)
    assert channel.loss == pytest.approx(loss, abs=1e-6)
    assert channel.mean_burst == pytest.approx(burst, abs=1e-6)
    assert channel.lag1 == pytest.approx(lag1, abs=1e-6)


def test_a_channel_follows_from_its_loss_and_bursts() -> None:
    # NTIA gilbert-elliot-model, command line with --xbar 0.05 --L1 4
    channel = channel_of(0.05, 4)
    assert (channel.p, channel.r) == pytest.approx((0.0131578947, 0.25), abs=1e-9)


def test_a_row_of_polls_is_counted_as_published() -> None:
    # the row, its mean burst 2.0 and share 0.3 by NTIA's data_error_statistics; the transitions
    # by hand: a miss after 3 of 13 answers, an answer after 3 of 6 misses
    missed = np.array([one == "1" for one in "00011000010011100000"])
    assert transitions(missed) == (10, 3, 3, 3)
    found = gilbert_elliott(missed)
    assert found is not None
    assert (found.p, found.r) == pytest.approx((0.230769, 0.5), abs=1e-6)
    assert found.mean_burst == 2.0
    assert mean_burst(int(missed.sum()), 3) == 2.0


def test_a_channel_is_found_again_from_its_polls() -> None:
    rng = np.random.default_rng(5)
    missed, bad = [], False
    for luck in rng.random(60_000):
        missed.append(bad)
        bad = luck >= 0.25 if bad else luck < 0.05
    found = gilbert_elliott(np.array(missed))
    assert found is not None
    # standard errors: 0.001 for p of 50 000 answers, 0.0043 for r of 10 000 misses
    assert found.p == pytest.approx(0.05, abs=0.004)
    assert found.r == pytest.approx(0.25, abs=0.018)
    assert found.loss == pytest.approx(np.mean(missed), abs=0.001)


@pytest.mark.parametrize("row", [[], [True], [False] * 9, [True] * 9, [False, True]])
def test_a_row_that_never_changed_both_ways_says_nothing(row: list[bool]) -> None:
    assert gilbert_elliott(np.array(row, bool)) is None


def test_without_a_miss_there_is_no_mean_burst() -> None:
    assert mean_burst(0, 0) is None

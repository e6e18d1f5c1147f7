"""Answer times: quantiles to a bucket, and answers that become slower before polls fail."""

import numpy as np
import pytest

from tallymast.domain.health.comms.answers import answer_times, slower
from tallymast.domain.health.comms.baselines import LIMIT, blocks_of, window_scores
from tallymast.domain.record.rollups import bucket_ms

DAY_MS = 86_400_000


def buckets_of(answers_ms: np.ndarray) -> dict[int, int]:
    """Answers by bucket: a quarter of an octave each, from 1 ms."""
    numbers, counts = np.unique(np.floor(4 * np.log2(answers_ms)).astype(int), return_counts=True)
    return dict(zip(numbers.tolist(), counts.tolist(), strict=True))


def a_day(rng: np.random.Generator, slow_part: float = 0.0, n: int = 1440) -> dict[int, int]:
    """Answers of about 150 ms, of which a part needs 400 ms more: the radio tried again."""
    answers = rng.lognormal(np.log(150), 0.15, n) + 400 * (rng.random(n) < slow_part)
    return buckets_of(answers)


def test_median_and_95th_percentile_lie_in_their_buckets() -> None:
    # numpy 2.4.6, percentile(method="inverted_cdf"): 129 and 500 ms
    row = np.array([120, 135, 128, 140, 122, 131, 500, 127, 133, 129.0])
    times = answer_times(buckets_of(row))
    assert times is not None
    assert times.n == 10
    width = bucket_ms(1) / bucket_ms(0)
    assert 129 / width <= times.median_ms <= 129 * width
    assert 500 / width <= times.p95_ms <= 500 * width


def test_without_answers_there_are_no_times() -> None:
    assert answer_times({}) is None


def test_answers_fall_ill_while_every_poll_is_still_answered_at_once() -> None:
    rng = np.random.default_rng(8)
    days = [(day * DAY_MS, a_day(rng)) for day in range(14)]
    days += [(day * DAY_MS, a_day(rng, 0.3)) for day in (14, 15)]
    found = slower(days)
    assert found is not None
    assert found.since_ms == 14 * DAY_MS
    assert found.before.p95_ms < 250
    assert found.after.p95_ms > 500
    assert (found.before.n, found.after.n) == (14 * 1440, 2 * 1440)
    # and the first-try share, steady at 98 % to the end, says nothing of it
    late = rng.binomial(60, 0.02, 16 * 24)
    assert window_scores(blocks_of(late, np.full(16 * 24, 60))).max() < LIMIT


def test_one_slow_day_has_its_reason() -> None:
    rng = np.random.default_rng(8)
    days = [(day * DAY_MS, a_day(rng)) for day in range(14)]
    assert slower([*days, (14 * DAY_MS, a_day(rng, 0.3))]) is None


def test_answers_that_are_quick_again_are_not_told() -> None:
    rng = np.random.default_rng(8)
    parts = [0.0] * 12 + [0.3, 0.3, 0.3, 0.0]
    assert slower([(day * DAY_MS, a_day(rng, part)) for day, part in enumerate(parts)]) is None


def test_six_days_are_no_baseline() -> None:
    rng = np.random.default_rng(8)
    parts = [0.0] * 6 + [0.3] * 3
    assert slower([(day * DAY_MS, a_day(rng, part)) for day, part in enumerate(parts)]) is None


@pytest.mark.parametrize("n", [1440, 96])
def test_steady_answers_are_never_called_slower(n: int) -> None:
    rng = np.random.default_rng(9)
    for _ in range(60):
        assert slower([(day * DAY_MS, a_day(rng, 0.02, n)) for day in range(16)]) is None

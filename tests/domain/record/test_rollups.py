"""What an hour adds up to, by hand-worked values: time on, answer buckets, quarters."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.model import (
    Block,
    LayoutPoint,
    Order,
    Outcome,
    PointKind,
    PollFlag,
    SiteLayout,
    Table,
    WordLayout,
)
from tallymast.domain.record.chunks import PollColumns
from tallymast.domain.record.rollups import (
    add_answers,
    answer_quantile_ms,
    answers_bytes,
    answers_of,
    bucket_ms,
    comm_hour,
    point_hours,
)

HOUR = 1_772_953_200_000  # 2026-03-08 07:00 UTC
MINUTE = 60_000
CONTACT = LayoutPoint(
    1,
    "DOOR",
    PointKind.DISCRETE_INPUT,
    0,
    0,
    WordLayout.BOOL,
    length=1,
    word_order=Order.HIGH_FIRST,
    byte_order=Order.HIGH_FIRST,
    bit=None,
    raw=None,
    value=None,
    unit="",
)
LAYOUT = SiteLayout(1, 1, (Block(Table.DISCRETE, 0, 1),), (CONTACT,))


def polls(
    minutes: list[float], on: list[int], tenths: list[int] | None = None, **change: object
) -> PollColumns:
    n = len(minutes)
    columns: dict[str, object] = {
        "at_ms": np.array([HOUR + round(m * MINUTE) for m in minutes], np.int64),
        "outcome": np.full(n, int(Outcome.FIRST_TRY), np.int64),
        "flags": np.zeros(n, np.int64),
        "tries": np.ones(n, np.int64),
        "answer_tenths": np.array(tenths or [1000] * n, np.int64),
        "got": np.ones(n, np.int64),
        "code": np.zeros(n, np.int64),
        "words": np.array([[one] for one in on], np.uint16),
        "widths": (1,),
    }
    return PollColumns(**(columns | change))  # type: ignore[arg-type]


def on_minutes(columns: PollColumns) -> float:
    (hour,) = point_hours(columns, LAYOUT, HOUR)
    return hour.on_ms / MINUTE


def test_a_contact_is_on_until_the_next_reading_says_otherwise() -> None:
    # Every 10 min from :00; on at :10, :20 and :50. On from 10 to 30 and from 50 to 60.
    assert on_minutes(polls([0, 10, 20, 30, 40, 50], [0, 1, 1, 0, 0, 1])) == 30
    # First read at :05: what it says holds back to the hour's beginning. On from 0 to 15.
    assert on_minutes(polls([5, 15, 25, 35, 45, 55], [1, 0, 0, 0, 0, 0])) == 15


def test_a_reading_holds_for_three_periods_at_most() -> None:
    # Read each minute until :05, on; then nothing: on from 0 to 5 and 3 more.
    assert on_minutes(polls([0, 1, 2, 3, 4, 5], [1] * 6)) == 8
    # Every 10 s the shortest is a minute: on from 0 to 0:10 and one minute more.
    assert on_minutes(polls([0, 1 / 6], [1, 1])) == pytest.approx(1 / 6 + 1)


def test_part_of_an_hour_is_on_within_its_part_only() -> None:
    columns = polls([30, 40, 50], [1, 1, 1])
    (part,) = point_hours(columns, LAYOUT, HOUR + 30 * MINUTE, HOUR + 60 * MINUTE)
    assert part.on_ms == 30 * MINUTE


@pytest.mark.parametrize(
    ("answer_ms", "bucket"),
    [
        # Buckets begin at 2^(n/4) ms: 1, 1.19, 1.41, 1.68, 2 …; by hand.
        (0.2, 0),
        (1.0, 0),
        (1.1, 0),
        (1.2, 1),
        (2.0, 4),
        (64.0, 24),
        (127.9, 27),
        (128.0, 28),
        (1024.0, 40),
        (3_600_000.0, 79),
    ],
)
def test_answers_fall_into_their_bucket(answer_ms: float, bucket: int) -> None:
    hour = comm_hour([polls([1], [1], [round(10 * answer_ms)])], HOUR)
    assert dict(hour.answers) == {bucket: 1}


@given(st.lists(st.integers(10, 200_000), min_size=1, max_size=200), st.sampled_from((0.5, 0.95)))
def test_a_quantile_is_right_to_a_bucket(tenths: list[int], share: float) -> None:
    n = len(tenths)
    hour = comm_hour([polls([k / 10 for k in range(n)], [1] * n, tenths)], HOUR)
    found = answer_quantile_ms(hour.answers, share)
    exact = sorted(tenths)[math.ceil(share * n) - 1] / 10
    assert found is not None
    assert exact / 2**0.25 <= found <= exact * 2**0.25
    assert sum(hour.answers.values()) == n


@given(st.lists(st.dictionaries(st.integers(0, 79), st.integers(1, 60_000), max_size=9)))
def test_buckets_of_many_hours_add_up(hours: list[dict[int, int]]) -> None:
    stored = b"".join(answers_bytes(one) for one in hours)
    whole = add_answers(stored)
    for bucket in range(80):
        assert whole.get(bucket, 0) == sum(one.get(bucket, 0) for one in hours)
    assert all(answers_of(answers_bytes(one)) == one for one in hours)


def test_buckets_are_a_fifth_wide() -> None:
    assert bucket_ms(28) == 128.0
    assert bucket_ms(29) / bucket_ms(28) == pytest.approx(1.189, abs=0.001)


def test_polls_count_in_their_quarter_and_maintenance_in_none() -> None:
    flags = np.array([0, 0, int(PollFlag.MAINTENANCE), 0], np.int64)
    columns = polls([0, 14.9, 15, 59.9], [1] * 4, flags=flags)
    hour = comm_hour([columns], HOUR)
    assert hour.quarters[:, 0].tolist() == [2, 0, 0, 1]
    assert hour.counts.asked == 3

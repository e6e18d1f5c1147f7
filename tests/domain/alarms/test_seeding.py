"""What is taken over from the record at a start, and that stale readings begin nothing."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.domain.alarms.test_kinds import TOTAL

from tallymast.domain.alarms.counting import Count, Counted
from tallymast.domain.alarms.moving import Trace
from tallymast.domain.alarms.seeding import recounted, traced, unbroken_from

T = 1_772_953_200_000
S, MIN = 1000, 60_000


@pytest.mark.parametrize(
    ("ages_s", "first"),
    [
        ((120, 60, 20), 0),
        ((500, 60, 20), 1),  # more than 3 min apart: what lies before the break is left out
        ((500, 300, 181), 3),  # the newest is stale
        ((181,), 1),
        ((180,), 0),
        ((), 0),
        ((60, 20, -5), 3),  # read after the start: the clock was set back
    ],
)
def test_only_what_goes_on_up_to_the_start_is_taken(ages_s: tuple[int, ...], first: int) -> None:
    at_ms = [T - age * S for age in ages_s]
    assert unbroken_from(at_ms, T, 3 * MIN) == first


@given(st.lists(st.integers(1, 400), min_size=1, max_size=30), st.integers(1, 300))
def test_no_gap_in_what_is_taken_is_longer_than_a_value_is_fresh(
    gaps_s: list[int], longest_s: int
) -> None:
    at_ms = [T - sum(gaps_s[n:]) * S for n in range(len(gaps_s))]
    first = unbroken_from(at_ms, T, longest_s * S)
    assert all(gap <= longest_s for gap in gaps_s[first:])
    assert first == 0 or gaps_s[first - 1] > longest_s


def test_a_trace_taken_over_tells_the_rate_at_once() -> None:
    # By hand: 3.0 m falling 0.05 m each minute is 3 m/h; ten minutes are the span.
    made = traced([(T - n * MIN, 3.0 + 0.05 * n) for n in range(10, -1, -1)], 600)
    assert made.per_hour(600) == pytest.approx(-3.0)
    assert traced([], 600) == Trace()
    assert traced([(T, 3.0)], 600).per_hour(600) is None  # one reading is no rate


def taken(raw: list[float], restarts: list[float | None], **more: bool) -> Counted | None:
    at_ms = [T + n * MIN for n in range(len(raw))]
    has = {"has_counter": True, **more}
    return recounted(at_ms, raw, restarts, replace(TOTAL, max_rate=None), **has)


def test_a_step_back_before_the_start_is_remembered_after_it() -> None:
    found = taken([60_000, 59_000, 59_060], [4, 4, 4])
    assert found is not None
    assert found.is_compared
    assert found.back == (Count(T, 60_000, 4, T), Count(T + MIN, 59_000, 4, T + MIN))
    assert found.newest.raw == 59_060


def test_a_restart_counter_read_more_seldom_keeps_its_own_time() -> None:
    found = taken([100, 160, 220], [4, None, None])
    assert found is not None
    assert found.newest == Count(T + 2 * MIN, 220, 4, T)


def test_until_the_restart_counter_is_known_nothing_is_taken() -> None:
    # Else a step back could not be explained by it, and would call for nothing.
    found = taken([60_000, 7, 67], [None, 5, None])
    assert found is not None
    assert found.back is None
    assert taken([60_000, 7], [None, None]) is None
    alone = taken([60_000, 59_000], [None, None], has_counter=False)
    assert alone is not None
    assert alone.back is not None
    assert taken([], []) is None

"""Outages from single polls, spans, and the figures of availability."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.health.comms.model import Outage
from tallymast.domain.health.comms.outages import (
    availability,
    cut,
    length_ms,
    merged,
    mtbf_ms,
    mttr_ms,
    outages_of,
    silent_spans,
    within,
    without,
)

MINUTE = 60_000
HOUR = 60 * MINUTE


def polled(row: str, every_ms: int = MINUTE, limit: int = 3) -> list[Outage]:
    """Outages of polls written as + answered and - missed."""
    at_ms = np.arange(len(row)) * every_ms
    return outages_of(7, at_ms, np.array([one == "+" for one in row], bool), miss_limit=limit)


def test_an_outage_goes_from_its_first_miss_to_the_next_answer() -> None:
    assert polled("++---+--+") == [
        Outage(7, from_ms=2 * MINUTE, to_ms=5 * MINUTE, missed=3, last_answer_ms=MINUTE)
    ]


def test_an_outage_may_have_no_answer_before_or_after() -> None:
    first, last = polled("---+----")
    assert (first.from_ms, first.to_ms, first.last_answer_ms) == (0, 3 * MINUTE, None)
    assert (last.from_ms, last.to_ms, last.missed) == (4 * MINUTE, None, 4)
    assert last.lasted_ms(10 * MINUTE) == 6 * MINUTE


@pytest.mark.parametrize(
    ("row", "every_s", "found"),
    [("+------+", 10, 0), ("+-------+", 10, 1), ("+--+", 900, 0), ("+---+", 900, 1)],
)
def test_a_run_must_have_enough_misses_and_last_a_minute(
    row: str, every_s: int, found: int
) -> None:
    # six misses 10 s apart span 50 s, seven 60 s
    assert len(polled(row, every_s * 1000)) == found


def test_no_polls_make_no_outage() -> None:
    assert polled("") == []


def test_outages_are_cut_to_a_period() -> None:
    one = Outage(7, 10, 50, 3, 5)
    lasting = Outage(7, 90, None, 3, 80)
    parts = cut([one, lasting], 20, 100)
    assert [(part.from_ms, part.to_ms) for part in parts] == [(20, 50), (90, None)]
    assert [(part.from_ms, part.to_ms) for part in cut([one], 0, 30)] == [(10, 30)]
    assert cut([one, lasting], 50, 90) == []
    assert silent_spans(parts, 100) == [(20, 50), (90, 100)]


Spans = list[tuple[int, int]]
SPANS = st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), max_size=6)


def instants(spans: Spans) -> set[int]:
    return {at for begin, end in spans for at in range(begin, end)}


@given(SPANS, SPANS)
def test_spans_are_sets_of_instants(spans: Spans, holes: Spans) -> None:
    assert instants(merged(spans)) == instants(spans)
    assert instants(without(spans, holes)) == instants(spans) - instants(holes)
    assert instants(within(spans, holes)) == instants(spans) & instants(holes)
    assert length_ms(spans) == len(instants(spans))
    assert merged(spans) == merged(merged(spans))


@pytest.mark.parametrize(
    ("up_h", "down_h", "share", "minutes_a_year"),
    [
        # arithmetic: MTBF / (MTBF + MTTR), for one failure
        (8760, 4, 0.99954359, 239.9),
        (8760, 8, 0.99908759, 479.6),
        (4380, 24, 0.99455041, 2864.3),
        (10000, 10, 0.99900100, 525.1),
        (720, 2, 0.99722992, 1456.0),
    ],
)
def test_availability_is_time_up_by_time_in_service(
    up_h: int, down_h: int, share: float, minutes_a_year: float
) -> None:
    in_service_ms, down_ms = (up_h + down_h) * HOUR, down_h * HOUR
    found = availability(in_service_ms, down_ms)
    assert found == pytest.approx(share, abs=1e-7)
    assert (1 - (found or 0)) * 525_600 == pytest.approx(minutes_a_year, abs=0.05)
    assert mtbf_ms(in_service_ms, down_ms, 1) == up_h * HOUR
    assert mttr_ms([down_ms]) == down_h * HOUR


def test_without_failures_or_service_nothing_is_said() -> None:
    assert mtbf_ms(HOUR, 0, 0) is None
    assert mttr_ms([]) is None
    assert availability(0, 0) is None

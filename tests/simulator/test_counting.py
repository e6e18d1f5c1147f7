"""Counters of stations that lose power, restart, or stand still."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.simulator.conftest import METER, site

from tallymast.simulator.counting import counted, forgetting, joined, off_spans, shown
from tallymast.simulator.faults import Fault, FaultKind, Faults

VOL = METER[0]


def two_a_second(at_s: np.ndarray) -> np.ndarray:
    return 2.0 * at_s


def test_nothing_is_counted_without_power() -> None:
    at_s = np.array([99.0, 100.0, 150.0, 200.0, 260.0])
    # By hand: 2 pulses a second, none between 100 and 200 s: 198, 200, 200, 200, 320.
    assert counted(two_a_second, [(100.0, 200.0)], at_s).tolist() == [198, 200, 200, 200, 320]


def test_a_span_that_has_not_ended_goes_on() -> None:
    at_s = np.array([50.0, 500.0])
    assert counted(two_a_second, [(100.0, np.inf)], at_s).tolist() == [100, 200]


spans = st.lists(st.tuples(st.floats(0, 900), st.floats(1, 90)), max_size=6).map(
    lambda some: joined([(begin, begin + long) for begin, long in some])
)


@given(spans, st.lists(st.floats(0, 1000), min_size=2, max_size=20))
def test_a_count_never_falls_and_never_runs_ahead(
    uncounted: list[tuple[float, float]], times: list[float]
) -> None:
    at_s = np.sort(np.array(times))
    count = counted(two_a_second, uncounted, at_s)
    assert np.all(np.diff(count) >= -1e-6)
    assert np.all(np.diff(count) <= 2.0 * np.diff(at_s) + 1e-6)
    # One instant asked alone says the same as among others.
    alone = [counted(two_a_second, uncounted, at_s[n : n + 1])[0] for n in range(len(at_s))]
    assert count == pytest.approx(alone, abs=1e-6)


def test_a_restart_begins_again_with_the_saved_number() -> None:
    cut = Fault(
        FaultKind.POWER_CUT,
        "meter",
        None,
        100_000,
        200_000,
        tag="VOL",
        count_before=48_112,
        saved=7,
    )
    dark = [(100.0, 200.0)]
    count = shown(
        lambda when: counted(two_a_second, dark, when),
        [cut],
        VOL,
        np.array([90.0, 100.0, 200.0, 210.0]),
    )
    assert count.tolist() == [48_092, 48_112, 7, 27]


def test_only_cuts_that_forget_begin_again() -> None:
    meter = site("meter", 9, METER)
    keeps = Fault(FaultKind.POWER_CUT, "meter", None, 0, 1)
    forgets = Fault(FaultKind.POWER_CUT, "meter", None, 5, 6, saved=0)
    assert forgetting(Faults([keeps, forgets]), meter) == [forgets]


def test_an_output_is_off_between_the_spans_in_which_it_is_held() -> None:
    tank = site("tank", 3, METER)
    held = [
        Fault(FaultKind.OUTPUT, "tank", None, to_ms=100_000, tag="PULSE"),
        Fault(FaultKind.OUTPUT, "tank", None, from_ms=160_000, tag="PULSE"),
    ]
    assert off_spans(Faults(held), tank) == [(100.0, 160.0)]
    assert off_spans(Faults(), tank) == []

"""What passed between two readings: worked rollovers, and what may not be taken for one."""

import pytest

from tallymast.domain.totals.model import Evidence, Meter, Step, StepKind
from tallymast.domain.totals.stepping import judge

POLL_MS = 10_000
MIN_MS = 60_000


@pytest.mark.parametrize(
    ("bits", "before", "after", "pulses"),
    # Plain arithmetic: (now - before) mod 2^n.
    [(16, 65530, 12, 18), (16, 65535, 0, 1), (32, 4294967290, 5, 11)],
)
def test_a_rollover_is_counted_through(bits: int, before: int, after: int, pulses: int) -> None:
    step = judge(Meter(2**bits, 10.0), before, after, POLL_MS, Evidence.HELD)
    assert step == Step(StepKind.ROLLOVER, pulses)


def test_a_small_fall_is_no_turn_of_65535_pulses() -> None:
    # 16 bits, 100 -> 99 would be 65 535 pulses; 10 Hz gives 100 in 10 s [plain arithmetic].
    step = judge(Meter(65536, 10.0), 100, 99, POLL_MS, Evidence.MISSING)
    assert step == Step(StepKind.RESET, 0.0, 100.0)


@pytest.mark.parametrize(("rate", "wrap_ms"), [(10, 6_553_600), (100, 655_360), (1000, 65_536)])
def test_a_gap_up_to_one_wrap_is_bridged_and_a_longer_one_is_not(rate: float, wrap_ms: int) -> None:
    # Time to wrap of 16 bits at 10 / 100 / 1000 Hz: 6553.6 / 655.36 / 65.536 s [plain arithmetic].
    meter = Meter(65536, rate)
    short = judge(meter, 5, 105, wrap_ms - 3000, Evidence.HELD)
    assert short == Step(StepKind.FORWARD, 100)
    long = judge(meter, 5, 105, wrap_ms + 200_000 // int(rate), Evidence.HELD)
    assert (long.kind, long.pulses, long.unknown) == (StepKind.TURNS, 100, 65536)


def test_a_reset_states_what_the_greatest_rate_allows() -> None:
    # 48 112 -> 7 over 41 min at 2 Hz: a rollover would need 17 431 pulses, 2.4 h; at most
    # 41 * 60 * 2 = 4 920 pulses passed [plain arithmetic].
    for evidence in Evidence:
        step = judge(Meter(65536, 2.0), 48112, 7, 41 * MIN_MS, evidence)
        assert step == Step(StepKind.RESET, 0.0, 4920.0)


def test_where_a_rollover_and_a_reset_both_fit_it_says_either() -> None:
    meter = Meter(65536, 10.0)
    after_gap = judge(meter, 65000, 900, 20 * MIN_MS, Evidence.MISSING)
    restarted = judge(meter, 65000, 900, 20 * MIN_MS, Evidence.RESTARTED)
    assert after_gap == restarted == Step(StepKind.EITHER, 0.0, 12000.0)
    held = judge(meter, 65000, 900, 20 * MIN_MS, Evidence.HELD)
    assert held == Step(StepKind.ROLLOVER, 1436.0)  # 65536 - 65000 + 900


def test_a_restart_that_kept_the_count_leaves_the_time_without_power_open() -> None:
    step = judge(Meter(2**32, 2.0), 1000, 1040, 10 * MIN_MS, Evidence.RESTARTED)
    assert step == Step(StepKind.RESTARTED, 40.0, 1160.0)  # 2 Hz * 600 s - 40
    # 16 bits turn round in 9.1 h: 1 020 may have been saved before the last turn, and then 20
    # passed, not 40.
    small = judge(Meter(65536, 2.0), 1000, 1040, 10 * MIN_MS, Evidence.RESTARTED)
    assert small == Step(StepKind.RESTARTED, 0.0, 1200.0)


def test_missed_polls_without_a_restart_counter_are_bridged_and_marked() -> None:
    step = judge(Meter(2**32, 2.0), 1000, 1040, 10 * MIN_MS, Evidence.MISSING)
    assert step == Step(StepKind.UNPROVEN, 40.0, 0.0, 1160.0)
    next_poll = judge(Meter(2**32, 2.0), 1000, 1040, MIN_MS, Evidence.MISSING)
    assert next_poll == Step(StepKind.FORWARD, 40.0)


def test_a_meter_that_counts_both_ways_counts_down_over_zero() -> None:
    meter = Meter(65536, 10.0, both_ways=True)
    assert judge(meter, 5, 65530, POLL_MS, Evidence.HELD) == Step(StepKind.ROLLOVER, -11.0)
    assert judge(meter, 500, 450, POLL_MS, Evidence.HELD) == Step(StepKind.FORWARD, -50.0)
    assert judge(meter, 30000, 7, POLL_MS, Evidence.HELD) == Step(StepKind.RESET, 0.0, 100.0)


def test_without_a_greatest_rate_a_reset_has_no_bound() -> None:
    meter = Meter(2**32)
    assert judge(meter, 48112, 7, POLL_MS, Evidence.HELD) == Step(StepKind.RESET, 0.0, None)
    assert judge(meter, 2**32 - 4, 6, POLL_MS, Evidence.HELD) == Step(StepKind.ROLLOVER, 10)
    # 16 bits: 10 kHz, a fast pulse input, turns them round every 6.6 s.
    gap = judge(Meter(65536), 100, 200, 20 * MIN_MS, Evidence.HELD)
    assert gap == Step(StepKind.TURNS, 100, None)

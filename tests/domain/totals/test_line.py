"""Random pulse streams: the total is the truth where it can be known, else it is covered."""

from bisect import bisect_left
from itertools import pairwise
from random import Random

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from tallymast.domain.totals.line import CountLine, count_line
from tallymast.domain.totals.model import Exchange, Meter, Readings, Step, StepKind
from tallymast.domain.totals.segments import Segment, cut, join

from .station import NOT_READ, Station, Told, readings, seldom, told, without_counter

HOUR = 3_600_000
EVERY = 60_000
BEGIN = 1_763_164_800_000 - 17 * 60_000  # a quarter of an hour before a full one

stations = st.builds(
    Station,
    modulus=st.sampled_from((10_000, 65_536, 1_000_000, 2**32)),
    max_rate=st.sampled_from((0.05, 1.0, 2.0, 9.0)),
    lot=st.integers(0, 2**32).map(Random),
    forgets=st.sampled_from(("nothing", "all", "some")),
    register=st.integers(0, 9_999),
)


def line_of(station: Station, one: Told) -> CountLine:
    return count_line(
        Meter(station.modulus, station.max_rate, station.both_ways, gap_ms=3 * EVERY), one.readings
    )


def whole(line: CountLine) -> Segment:
    span = (int(line.at_ms[0]), int(line.at_ms[-1]))
    return join(cut(line, span), *span)


@given(stations, st.sampled_from((0.0, 0.01, 0.05)), st.sampled_from((1, 2, 60)))
@settings(max_examples=60, deadline=None)
def test_lost_polls_cost_no_pulse_while_the_power_holds(
    station: Station, lost: float, nth: int
) -> None:
    one = told(station, 500, EVERY, lost, 0.0, BEGIN)
    one = inside_of_counter(seldom(one, nth, EVERY, 65_536))
    if len(one.rows) < 2:
        return
    found = whole(line_of(station, one))
    truth = one.truth[-1] - one.truth[0]
    longest = max(np.diff(one.readings.at_ms)) / 1000
    if station.max_rate * (longest + 5) + 5 < station.modulus:
        assert (found.pulses, found.unknown, found.unproven) == (truth, 0, 0)
    else:  # more than one wrap may lie in a gap
        assert found.unknown is not None
        assert found.pulses <= truth <= found.pulses + found.unknown


@given(stations, st.sampled_from((0.0, 0.03)), st.booleans(), st.booleans())
@settings(max_examples=80, deadline=None)
def test_what_is_stated_covers_the_truth_over_restarts(
    station: Station, lost: float, counted: bool, both_ways: bool
) -> None:
    station.both_ways = both_ways
    one = told(station, 400, EVERY, lost, 0.02 if counted else 0.0, BEGIN)
    if len(one.rows) < 2:
        return
    one = one if counted else without_counter(one)
    found = whole(line_of(station, one))
    truth = one.truth[-1] - one.truth[0]
    assert found.unknown is not None
    assert found.unproven is not None
    above = found.unknown + found.unproven
    assert found.pulses - (above if both_ways else 0) <= truth <= found.pulses + above


@given(
    stations,
    st.sampled_from((2, 3, 7, 30, 60, 200)),
    st.sampled_from((16, 256, 65_536)),
    st.sampled_from((0.0, 0.004, 0.02)),
    st.booleans(),
)
@settings(max_examples=80, deadline=None)
def test_a_restart_counter_that_is_seldom_read_is_evidence_over_the_polls_between(
    station: Station, nth: int, modulus: int, cuts: float, both_ways: bool
) -> None:
    station.both_ways = both_ways
    one = told(station, 400, EVERY, 0.02, cuts, BEGIN)
    one = inside_of_counter(seldom(one, nth, EVERY, modulus))
    if len(one.rows) < 2:
        return
    edges = [BEGIN - BEGIN % HOUR + n * HOUR for n in range(10)]
    meter = Meter(station.modulus, station.max_rate, both_ways, gap_ms=3 * EVERY)
    line = count_line(meter, one.readings, (), edges)
    came = dict(station.trail) | {BEGIN: 0}  # by the minute; nothing had come when it began
    for begin, end in [(edges[0], edges[-1]), *pairwise(edges)]:
        some = cut(line, [edge for edge in edges if begin <= edge <= end])
        if some:
            assert_covers(join(some, begin, end), one, came, both_ways)


def inside_of_counter(one: Told) -> Told:
    """The same from the restart counter's first reading to its last."""
    known = [n for n, row in enumerate(one.rows) if row[2] != NOT_READ]
    inside = slice(known[0], known[-1] + 1) if known else slice(0, 0)
    return Told(one.rows[inside], one.truth[inside], one.modulus)


def assert_covers(found: Segment, one: Told, came: dict[int, int], both_ways: bool) -> None:
    """The truth lies within what is stated; a step over an edge is parted by time."""
    times = [row[0] for row in one.rows]
    begin, end = max(found.from_ms, times[0]), min(found.to_ms, times[-1])
    truth = came[end] - came[begin]
    room = 0
    for edge in (begin, end):
        n = bisect_left(times, edge)
        if times[n] != edge:
            passed = [came[at] for at in range(times[n - 1], times[n] + 1, EVERY)]
            room += max(passed) - min(passed)
    assert found.unknown is not None
    assert found.unproven is not None
    above = found.unknown + found.unproven + room
    assert found.pulses - (above if both_ways else room) <= truth <= found.pulses + above


@given(stations, st.lists(st.integers(0, 8 * HOUR), max_size=9), st.booleans())
@settings(max_examples=60, deadline=None)
def test_any_cutting_adds_up_to_the_same(
    station: Station, cuts: list[int], both_ways: bool
) -> None:
    station.both_ways = both_ways
    one = told(station, 480, EVERY, 0.02, 0.01, BEGIN)
    if len(one.rows) < 2:
        return
    line = line_of(station, one)
    span = (BEGIN - HOUR, BEGIN + 9 * HOUR)
    hours = [*range(BEGIN - BEGIN % HOUR - HOUR, BEGIN + 10 * HOUR, HOUR)]
    edges = sorted({*span, *hours, *(BEGIN + one for one in cuts)})
    edges = [edge for edge in edges if span[0] <= edge <= span[1]]
    joined = join(cut(line, edges), *span)
    at_once = join(cut(line, span), *span)
    assert (joined.pulses, joined.known_ms) == (at_once.pulses, at_once.known_ms)
    assert (joined.lead, joined.tail, joined.through) == (0, 0, False)
    assert np.isclose(joined.unknown or 0, at_once.unknown or 0)
    assert np.isclose(joined.unproven or 0, at_once.unproven or 0)
    half = len(edges) // 2
    parts = [join(cut(line, some), some[0], some[-1]) for some in (edges[: half + 1], edges[half:])]
    twice = join(parts, *span)
    assert (twice.pulses, twice.lead, twice.tail) == (joined.pulses, joined.lead, joined.tail)


def test_a_gap_over_an_hours_end_is_parted_by_time_and_marked() -> None:
    # 14:50 to 15:30, 400 pulses: a quarter of the time lies before the hour, so 100 of them.
    hour = 1_763_164_800_000
    rows = [(hour - 10 * EVERY, 1000, 1), (hour + 30 * EVERY, 1400, 1), (hour + HOUR, 1500, 1)]
    line = count_line(Meter(2**32, 2.0), readings(rows))
    before, after = cut(line, (hour - HOUR, hour, hour + HOUR))
    assert (before.pulses, before.tail, before.close) == (100, 100, 1100)
    assert (after.pulses, after.lead, after.open, after.close) == (400, 300, 1100, 1500)
    both = join((before, after), hour - HOUR, hour + HOUR)
    assert (both.pulses, both.estimated, both.known_ms) == (500, 0, HOUR + 10 * EVERY)


def test_one_reading_that_fits_neither_side_is_passed_over() -> None:
    rows = [(n * EVERY, count, 1) for n, count in enumerate((100, 110, 9_000_000, 130, 140))]
    line = count_line(Meter(2**32, 2.0), readings(rows))
    assert (whole(line).pulses, whole(line).unknown) == (40, 0)
    assert [(one.step.kind, one.after) for one in line.bad] == [(StepKind.BAD, 9_000_000)]


def test_a_register_that_stays_up_after_a_jump_is_not_counted_as_flow() -> None:
    rows = [(n * EVERY, count, 1) for n, count in enumerate((100, 110, 9_000_000, 9_000_010))]
    found = whole(count_line(Meter(2**32, 2.0), readings(rows)))
    assert (found.pulses, found.unknown, found.known_ms) == (20, 120, 2 * EVERY)


def test_an_exchanged_station_goes_on_where_the_old_one_ended() -> None:
    rows = [(n * EVERY, count, 1) for n, count in enumerate((48_100, 48_112, 7, 19))]
    meter = Meter(65_536, 2.0)
    stated = Exchange(2 * EVERY - 1, 48_112.0, 5.0, 30.0)
    found = whole(count_line(meter, readings(rows), [stated]))
    assert (found.pulses, found.unknown) == (12 + 0 + 30 + 2 + 12, 0)
    nobody = Exchange(9 * EVERY, 48_112.0, 5.0, None)  # a few minutes off, as people are
    found = whole(count_line(meter, readings(rows), [nobody]))
    assert (found.pulses, found.unknown) == (26, 118)  # 2 Hz for a minute, less the 2 it shows


def test_words_that_mean_something_else_begin_a_count_of_their_own() -> None:
    some = readings([(n * EVERY, count, 1) for n, count in enumerate((100, 110, 120, 130))])
    changed = np.array([False, False, True, False])
    found = whole(
        count_line(Meter(2**32, 2.0), Readings(some.at_ms, some.count, some.starts, changed))
    )
    assert (found.pulses, found.unknown) == (20, 120)


def test_hobby_pad_knows_97_percent_of_the_day_its_counter_restarted() -> None:
    # 48 112 -> 7 between 02:14 and 02:55 at most 2 Hz: 0 to 4 920 pulses unknown, 41 min of 24 h
    # [plain arithmetic: 1 - 41 / 1440 = 0.9715].
    minutes = [n for n in range(1441) if not 134 < n < 175]
    rows = [
        (n * EVERY, 48_112 - 134 + n if n <= 134 else 7 + n - 175, 4 + (n > 134)) for n in minutes
    ]
    day = join(cut(count_line(Meter(65_536, 2.0), readings(rows)), (0, 24 * HOUR)), 0, 24 * HOUR)
    assert (day.pulses, day.unknown) == (134 + 1440 - 175, 4920)
    assert f"{100 * day.known_share:.0f}" == "97"
    later = [(n * EVERY, 500 if n <= 10 else 3, 5 + (n > 10)) for n in (9, 10, 16, 17)]
    again = whole(count_line(Meter(65_536, 2.0), readings(later)))
    assert again.unknown == 720  # 23:50 to 23:56 at 2 Hz


def seen(rows: dict[int, tuple[int, int]], meter: Meter) -> CountLine:
    """The line of readings by the minute: count and restart counter."""
    return count_line(meter, readings([(n * EVERY, *row) for n, row in rows.items()], 65_536))


def test_a_rollover_over_missed_polls_is_proven_by_a_counter_read_an_hour_apart() -> None:
    # 65 000 -> 900 over 20 min at 10 Hz: 1 436 pulses fit [65 536 - 65 000 + 900].
    counts = {0: (64_000, 4), 9: (64_990, -1), 10: (65_000, -1), 30: (900, -1), 31: (905, -1)}
    meter = Meter(65_536, 10.0)
    assert seen(counts, meter).marked[2].step.kind is StepKind.EITHER  # not read since
    held = seen(counts | {60: (950, 4)}, meter)
    assert (held.marked[2].step.kind, whole(held).pulses) == (StepKind.ROLLOVER, 2486)
    assert (whole(held).unknown, whole(held).unproven) == (0, 0)
    # Once more in the hour: here or elsewhere, so either fits, and nobody can say more.
    grown = seen(counts | {60: (950, 5)}, meter)
    assert grown.marked[2].step == Step(StepKind.EITHER, 0.0, 12_000.0)
    # A counter of 16 may have gone round in an hour: it proves nothing.
    rows = [(n * EVERY, *row) for n, row in (counts | {60: (950, 4)}).items()]
    small = count_line(meter, readings(rows, 16))
    assert small.marked[2].step.kind is StepKind.EITHER


def test_one_restart_is_the_fall_that_nothing_else_explains_and_the_rest_is_known() -> None:
    # 48 112 -> 7 over 41 min at 2 Hz can be no rollover; the other gap then held.
    counts = {0: (48_000, 4), 20: (48_020, -1), 50: (48_112, -1), 91: (7, -1), 120: (36, 5)}
    found = seen(counts, Meter(65_536, 2.0))
    assert [one.step.kind for one in found.marked.values()].count(StepKind.RESET) == 1
    assert (whole(found).pulses, whole(found).unknown, whole(found).unproven) == (141, 4920, 0)


def test_a_restart_that_no_count_shows_is_unknown_once_wherever_it_was() -> None:
    # 32 bits, 2 Hz, a pulse a minute but 600 over the 10 missed polls: 2 * 600 - 600 more, or
    # 2 * 60 - 1 in any minute, may have passed; it restarted once, so the greater of them.
    meter = Meter(2**32, 2.0)
    some = {n: (n if n <= 20 else n + 590, -1) for n in range(61) if not 20 < n < 30}
    found = seen(some | {0: (0, 4), 60: (650, 5)}, meter)
    assert (whole(found).pulses, whole(found).unknown) == (650, 600)
    (near,) = [one for one in found.marked.values() if one.step.kind is StepKind.NEARBY]
    assert (near.from_ms, near.to_ms) == (20 * EVERY, 30 * EVERY)


def test_a_restored_count_from_before_the_last_rollover_counts_nothing() -> None:
    # 16 bits at 9 Hz turn round in 2 h. 1 000 -> 1 055 in a minute may be a start at a saved 1 050,
    # so 55 less may have passed; or in another minute, in which at most 9 * 60 did and 1 showed.
    some = {n: (990 + n if n <= 10 else 1044 + n, -1) for n in range(31)}
    found = whole(seen(some | {0: (990, 4), 30: (1074, 5)}, Meter(65_536, 9.0)))
    assert (found.pulses, found.unknown) == (29, 55 + 539)

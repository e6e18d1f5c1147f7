"""Rates with their bounds, run hours, indexes, balances and permits."""

from fractions import Fraction

import numpy as np
import pytest

from tallymast.domain.totals import balance, permits
from tallymast.domain.totals.balance import Amount, AreaTable, Balance
from tallymast.domain.totals.factors import Volume
from tallymast.domain.totals.hand_index import IndexReading, reconciled, words
from tallymast.domain.totals.line import count_line
from tallymast.domain.totals.model import Meter
from tallymast.domain.totals.rates import agree, per_pulse_rate, rate_at
from tallymast.domain.totals.run_hours import may_be_missed, ran

from .station import readings

MIN = 60_000
HOUR = 60 * MIN


@pytest.mark.parametrize(
    ("pulses_per_s", "k", "units_per_s"),
    # Q = f / K: 500 Hz at 1000 pulses/L are 0.5 L/s; 100 Hz at 25 pulses/gal are 4 gal/s
    # (a K-factor primer, secondary). 1000 Hz full scale: K = 1200 is 50 gpm, K = 1142.857 is
    # 1800 bbl/day (a meter manual's worked example, secondary).
    [(500, 1000, 0.5), (100, 25, 4.0), (1000, 1200, 50 / 60), (1000, 1142.857143, 0.875)],
)
def test_a_rate_is_pulses_over_the_k_factor(
    pulses_per_s: float, k: float, units_per_s: float
) -> None:
    assert per_pulse_rate(pulses_per_s, k) == pytest.approx(units_per_s, rel=1e-9)


def test_slow_pulses_give_a_rate_with_its_bounds() -> None:
    # A pulse every 3 min, polled every minute: over half an hour 10 pulses, 9 to 11.
    rows = [(n * MIN, n // 3, 1) for n in range(61)]
    line = count_line(Meter(2**32, 2.0), readings(rows))
    rate = rate_at(line, HOUR)
    assert rate is not None
    assert rate.pulses == 10
    assert rate.least <= 1 / 180 <= rate.most
    assert rate.most - rate.least == pytest.approx(2 / (rate.to_ms - rate.from_ms) * 1000)
    assert agree(rate, 1 / 180)
    assert not agree(rate, 1 / 120)
    still = count_line(Meter(2**32, 2.0), readings([(n * MIN, 5, 1) for n in range(61)]))
    nothing = rate_at(still, HOUR)
    assert nothing is not None
    assert (nothing.least, nothing.most) == (0.0, 1 / 3600)  # no pulse in an hour
    assert nothing.detectable == 1 / 3600


def test_a_rate_does_not_reach_over_a_restart() -> None:
    rows = [(n * MIN, 5000 + n if n < 50 else n - 50, 1 + (n >= 50)) for n in range(53)]
    rate = rate_at(count_line(Meter(2**32, 2.0), readings(rows)), HOUR)
    assert rate is not None
    assert (rate.from_ms, rate.pulses) == (50 * MIN, 2)


def test_polled_run_time_leaves_gaps_unknown() -> None:
    # On from minute 10 to 20 and from 50 on; no reading between 30 and 45.
    at = [n for n in range(61) if not 30 < n < 45]
    on = [10 <= n < 20 or n >= 50 for n in at]
    found = ran(np.array(at) * MIN, np.array(on), (0, HOUR), 3 * MIN)
    assert (found.known_ms, found.ran_ms, found.starts) == (45 * MIN, 20 * MIN, 2)
    assert found.most_ms == 35 * MIN
    assert "shorter than the poll period of 60 s may be missed" in may_be_missed(20.0, 60.0)
    assert may_be_missed(300.0, 60.0) == ""
    assert ran(np.array([], np.int64), np.array([], np.bool_), (0, HOUR), MIN).known_share == 0


def index(at: int, said: str, begins: bool = False) -> IndexReading:
    return IndexReading(0, 1, at, Fraction(said), "m³", begins, at, "r.hale")


def test_an_index_is_held_against_the_count() -> None:
    one = reconciled(index(0, "1200.5"), index(9, "1300.5"), Volume("m³", Fraction(103)), 1.0)
    assert one is not None
    assert (one.by_index, one.difference, one.share) == (100, 3, 0.03)
    assert words(one).startswith("The station counted 3 m³ more than the index, 3.00 % of 100 m³")
    # 10 m³ less, and up to 20 unknown over a restart: that may be all of it.
    lost = Volume("L", Fraction(90_000), unknown=Fraction(20_000))
    short = reconciled(index(0, "1200.5"), index(9, "1300.5"), lost, 0.97)
    assert short is not None
    assert short.difference == -10
    assert "may be all of it" in words(short)
    assert reconciled(index(0, "99990"), index(9, "3"), lost, 1.0) is None
    assert reconciled(index(0, "5"), index(9, "9", begins=True), lost, 1.0) is None


def test_a_storage_of_a_pyramids_shape_holds_what_geometry_says() -> None:
    # An upright trough whose surface grows evenly from 100 to 300 m² over 2 m holds 400 m³, and
    # (100 + 200) / 2 * 1 = 150 m³ up to 1 m [plain geometry of trapezia].
    table = AreaTable((0.0, 2.0), (100.0, 300.0))
    assert (table.volume_m3(1.0), table.volume_m3(2.0)) == (150.0, 400.0)
    assert table.volume_m3(2.1) is None
    more = balance.growth(table, 1.0, 2.0, 0.01)
    assert more == Amount(250.0, 245.0, 255.0)  # 1 cm at 200 and at 300 m²
    assert balance.growth(table, None, 2.0, 0.01) is None
    assert balance.refusal(table) == ""
    assert "rise" in balance.refusal(AreaTable((1.0, 1.0), (5.0, 5.0)))


def test_a_balance_says_whether_it_may_close() -> None:
    inflow, outflow = balance.metered(1000, 0, 0, 0.02), balance.metered(700, 50, 0, 0.02)
    found = Balance(inflow, outflow, Amount(250, 245, 255))
    assert found.rest.amount == 50
    # 980 - 764 - 255 to 1020 - 686 - 245
    assert (found.rest.low, found.rest.high) == (pytest.approx(-39), pytest.approx(89))
    assert found.closes
    assert Balance(inflow, balance.metered(700, None, 0, 0.02), Amount(0, 0, 0)).closes is None


def test_an_analog_flow_is_added_up_without_its_gaps() -> None:
    at = np.array([0, 10, 20, 50, 60]) * MIN
    flow = np.array([6.0, 6.0, 12.0, 12.0, 12.0])
    found = balance.integrated(at, flow, (5 * MIN, HOUR), 15 * MIN)
    # 5 min at 6, 10 min from 6 to 12, a gap, 10 min at 12 [trapezoidal rule]
    assert found.amount == pytest.approx(0.5 + 1.5 + 2.0)
    assert (found.known_ms, found.span_ms) == (25 * MIN, 55 * MIN)
    hours = [(0, 4.0, 1.0), (1, 1.0, 0.4), (2, 3.0, 1.0)]
    assert balance.night_flow(hours) == 3.0


def test_a_permit_tells_a_range_and_never_a_date() -> None:
    steady = permits.outlook(300.0, 100.0, 0.0, [10.0] * 14, 20.0)
    assert (steady.low, steady.high, steady.chance) == (300.0, 300.0, 0.0)
    doubtful = permits.outlook(300.0, 100.0, 15.0, [8.0, 12.0] * 7, 20.0)
    assert doubtful.low is not None
    assert doubtful.high is not None
    assert doubtful.low < 300.0 < doubtful.high
    assert "may go beyond the limit" in permits.words(doubtful, "m³")
    assert "fewer than 7 whole days" in permits.words(
        permits.outlook(300.0, 100.0, None, [9.0] * 6, 20.0), "m³"
    )
    assert permits.words(permits.outlook(300.0, 301.0, 0.0, [], 1.0), "m³").startswith("Over:")

"""Loop arithmetic against hand-worked and published numbers, and what it may never do."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.domain.commissioning.conftest import HATCH, LEVEL, VOLTS

from tallymast.domain.commissioning.loop_check import (
    Basis,
    NotApplicable,
    applied_at,
    applied_in,
    basis_of,
    current_for,
    current_words,
    error_pct,
    expected_for,
    fineness_words,
    has_five_points,
    is_within,
    percent_of,
    step_pct,
    units_for,
)
from tallymast.domain.model import Point, PointKind, Table, WordLayout

FALLING = replace(LEVEL, value=(6.0, 0.0))
GATE = replace(LEVEL, kind=PointKind.ANALOG_INPUT, loop=None, raw=(0.0, 1000.0), value=(0.0, 100.0))


@pytest.mark.parametrize(
    ("percent", "milliamps"), [(0, 4.0), (25, 8.0), (50, 12.0), (75, 16.0), (100, 20.0)]
)
def test_five_points_lie_where_the_tables_have_them(percent: float, milliamps: float) -> None:
    # 4-20 mA conversion tables (sensorsone.com): mA = 4 + 16 (r - lo) / (hi - lo).
    assert applied_at(LEVEL, percent) == milliamps
    assert percent_of(LEVEL, milliamps) == percent


@pytest.mark.parametrize(
    ("milliamps", "percent"), [(3.6, -2.5), (3.8, -1.25), (20.5, 103.125), (21.0, 106.25)]
)
def test_ne_43_limits_in_per_cent(milliamps: float, percent: float) -> None:
    # Arithmetic on NAMUR NE 43's limits: (mA - 4) / 16.
    assert percent_of(LEVEL, milliamps) == pytest.approx(percent, abs=1e-9)


@pytest.mark.parametrize(
    ("milliamps", "metres"), [(4.0, 0.0), (8.0, 1.5), (12.0, 3.0), (16.0, 4.5), (20.0, 6.0)]
)
def test_a_six_metre_tank_by_hand(milliamps: float, metres: float) -> None:
    # By hand: 6 m over 16 mA is 0.375 m a milliamp.
    assert expected_for(LEVEL, milliamps) == pytest.approx(metres)
    assert expected_for(FALLING, milliamps) == pytest.approx(6.0 - metres)


@pytest.mark.parametrize(
    ("volts", "milliamps"),
    [(0.9, 3.6), (1.0, 4.0), (3.0, 12.0), (5.0, 20.0), (5.125, 20.5), (5.25, 21.0)],
)
def test_volts_across_250_ohms(volts: float, milliamps: float) -> None:
    # Ohm's law.
    assert applied_in(LEVEL, volts, "V across 250 Ω") == pytest.approx(milliamps)


def test_what_is_applied_may_be_told_in_other_units() -> None:
    assert applied_in(LEVEL, 12.0, "mA") == 12.0
    assert applied_in(LEVEL, 50.0, "% of span") == 12.0
    assert applied_in(LEVEL, 4.5, "m") == pytest.approx(16.0)  # by hand: 75 % of 6 m
    assert applied_in(GATE, 25.0, "% of span") == 25.0
    assert units_for(VOLTS) == ("V",)


@pytest.mark.parametrize("amount", [math.nan, math.inf, 1e30])
def test_what_is_no_number_cannot_be_applied(amount: float) -> None:
    with pytest.raises(NotApplicable, match="has to be a number"):
        applied_in(LEVEL, amount, "mA")


def test_a_unit_that_does_not_fit_is_refused_with_those_that_do() -> None:
    with pytest.raises(NotApplicable, match="VBAT takes V, not 'mA'"):
        applied_in(VOLTS, 12.0, "mA")


def test_an_error_by_hand() -> None:
    # By hand: 0.03 m of 6 m is half a per cent; 0.13 V of 13.00 V is one.
    assert error_pct(3.03, 3.0, basis_of(LEVEL)) == pytest.approx(0.5)
    assert error_pct(12.87, 13.0, basis_of(VOLTS)) == pytest.approx(-1.0)
    assert error_pct(1.0, 0.0, basis_of(VOLTS)) is None  # a share of nothing


def test_a_falling_scale_does_not_turn_the_error_round() -> None:
    # Shown too high is above 0, whichever way the scale runs.
    assert error_pct(3.03, 3.0, basis_of(FALLING)) == pytest.approx(0.5)


def test_the_tolerance_itself_is_inside() -> None:
    # 4.53 m beside 4.5 m on 6 m: 0.5 %, which binary fractions put a hair above.
    assert is_within(error_pct(4.53, 4.5, basis_of(LEVEL)), 0.5)
    assert not is_within(0.51, 0.5)
    assert not is_within(None, 0.5)


def test_one_count_of_a_loop_is_a_sixteen_thousandth() -> None:
    # By hand: 1 of 16 000 µA is 0.00625 %.
    assert step_pct(LEVEL) == pytest.approx(0.00625)
    assert step_pct(GATE) == pytest.approx(0.1)  # 1 of 1000 tenths of a per cent
    assert step_pct(VOLTS) is None  # no span of its own
    assert step_pct(replace(LEVEL, layout=WordLayout.FLOAT32)) is None
    assert step_pct(replace(HATCH, loop="4-20mA", raw=(4000, 20_000), value=(0, 1))) is None


def test_a_tolerance_finer_than_a_count_is_told() -> None:
    # 4 counts of a coarse converter over the span: 25 % each.
    coarse = replace(GATE, raw=(0.0, 4.0))
    assert "steps of 25 % of the span" in fineness_words(coarse, 0.5)
    assert fineness_words(LEVEL, 0.5) == ""


@pytest.mark.parametrize(
    ("milliamps", "word"),
    [
        (3.5, "failure signal (3.6"),
        (3.6, "failure signal (3.6"),
        (3.7, "nothing is agreed"),
        (3.8, "under range"),
        (4.0, "inside the measuring range"),
        (20.5, "over range"),
        (20.8, "nothing is agreed"),
        (21.0, "failure signal (21.0"),
    ],
)
def test_currents_by_ne_43(milliamps: float, word: str) -> None:
    # NAMUR NE 43, two secondary restatements that agree: 3.8 to 20.5 mA measures, 3.6 or less
    # and 21.0 or more is a failure.
    assert word in current_words(milliamps)


def test_which_points_have_a_span() -> None:
    assert has_five_points(LEVEL)
    assert has_five_points(GATE)
    assert not has_five_points(VOLTS)
    warm = Point("T", "T", PointKind.TEMPERATURE, Table.INPUT, 6, WordLayout.INT16)
    assert not has_five_points(warm)
    assert basis_of(warm) == Basis(100.0)
    flat = replace(GATE, value=(5.0, 5.0))
    assert not has_five_points(flat)


spans = st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)).filter(
    lambda one: abs(one[0] - one[1]) > 0.01
)


@given(spans, st.floats(3.0, 22.0))
def test_a_current_and_its_value_are_inverse(ends: tuple[float, float], milliamps: float) -> None:
    point = replace(LEVEL, value=ends)
    assert current_for(point, expected_for(point, milliamps)) == pytest.approx(milliamps, rel=1e-6)


@given(spans, st.floats(3.0, 22.0), st.floats(0.01, 5.0))
def test_more_current_shows_more_unless_the_scale_falls(
    ends: tuple[float, float], milliamps: float, more: float
) -> None:
    point = replace(LEVEL, value=ends)
    rises = expected_for(point, milliamps + more) > expected_for(point, milliamps)
    assert rises == (ends[1] > ends[0])


@given(spans, st.floats(-10.0, 10.0))
def test_turning_a_scale_round_keeps_an_error_as_it_is(
    ends: tuple[float, float], off: float
) -> None:
    one, turned = replace(LEVEL, value=ends), replace(LEVEL, value=ends[::-1])
    expected = ends[0]
    assert error_pct(expected + off, expected, basis_of(one)) == pytest.approx(
        error_pct(expected + off, expected, basis_of(turned))
    )

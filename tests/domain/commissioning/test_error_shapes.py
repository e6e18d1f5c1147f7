"""What kind of error the numbers show, drawn by hand, and by a second opinion."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from tests.domain.commissioning.conftest import LEVEL

from tallymast.domain.commissioning.error_shapes import (
    Shape,
    checked_errors,
    hysteresis_pct,
    line_through,
    shape_of,
    shape_words,
)
from tallymast.domain.commissioning.loop_check import percent_of


@pytest.mark.parametrize(
    ("errors", "shape"),
    [
        ((0.8, 0.81, 0.79, 0.8, 0.8), Shape.ZERO),
        ((0.0, 0.25, 0.5, 0.75, 1.0), Shape.SPAN),
        ((0.5, 0.75, 1.0, 1.25, 1.5), Shape.BOTH),
        ((0.0, 0.6, 0.8, 0.6, 0.0), Shape.BOWED),
        ((0.0, -0.6, -0.8, -0.6, 0.0), Shape.BOWED),
        ((0.6, -0.5, 0.6, -0.4, 0.5), Shape.SCATTERED),
        ((0.01, -0.02, 0.0, 0.03, 0.01), Shape.NONE),
    ],
)
def test_shapes_by_hand(errors: tuple[float, ...], shape: Shape) -> None:
    # Drawn by hand: level, rising from nothing, rising from something, an arch, a zigzag.
    assert shape_of(dict(zip((0, 25, 50, 75, 100), errors, strict=True))) is shape


def test_two_points_say_nothing_and_three_no_bow() -> None:
    assert shape_of({0.0: 1.0, 100.0: 1.0}) is Shape.UNKNOWN
    assert shape_of({0.0: 0.0, 50.0: 1.0, 100.0: 0.0}) is Shape.SCATTERED


def test_a_square_root_where_none_belongs_is_bowed() -> None:
    # Published square-root table, mA in to mA out (sensorsone.com): 8 -> 12.00, 12 -> 15.31,
    # 16 -> 17.86.
    out = {4.0: 4.0, 8.0: 12.0, 12.0: 15.31, 16.0: 17.86, 20.0: 20.0}
    errors = {percent_of(LEVEL, x): 100 * (y - x) / 16 for x, y in out.items()}
    assert shape_of(errors) is Shape.BOWED
    assert "square root" in shape_words(errors)


def test_inside_two_counts_nothing_is_named() -> None:
    level = dict.fromkeys((0.0, 25.0, 50.0, 75.0, 100.0), 0.15)
    assert shape_of(level, step=0.1) is Shape.NONE
    assert shape_of(level, step=0.01) is Shape.ZERO
    assert shape_words(level, step=0.1) == ""


@given(
    st.dictionaries(
        st.floats(-5, 110), st.floats(-20, 20).map(lambda one: round(one, 6)), min_size=3
    ).filter(lambda one: max(one) - min(one) > 1)
)
def test_the_line_is_the_least_squares_one(errors: dict[float, float]) -> None:
    # A second opinion: scipy.stats.linregress.
    fit = stats.linregress(list(errors), list(errors.values()))
    line = line_through(errors)
    assert line.zero == pytest.approx(fit.intercept, abs=1e-6)
    assert line.rise == pytest.approx(100 * fit.slope, abs=1e-6)


def test_hysteresis_is_the_largest_gap_between_the_ways() -> None:
    up = {0.0: 0.1, 50.0: -0.2, 100.0: 0.0}
    assert hysteresis_pct(up, {50.0: 0.3, 75.0: 9.0, 0.0: 0.0}) == pytest.approx(0.5)
    assert hysteresis_pct(up, {}) is None


def test_unknown_errors_are_left_out() -> None:
    assert checked_errors([(0.0, None), (None, 1.0), (50.0, 0.2), (50.0, 0.3)]) == {50.0: 0.3}

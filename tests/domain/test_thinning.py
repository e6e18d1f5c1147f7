"""Thinning keeps what a person looks for: the lowest, the highest, and where nothing is."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from tallymast.domain.thinning import thin

numbers = st.one_of(st.floats(-1e6, 1e6), st.just(float("nan")))


def test_a_short_series_is_left_as_it_is() -> None:
    at, value = thin(np.array([1, 2, 3]), np.array([5.0, np.nan, 7.0]), 3)
    assert at.tolist() == [1, 2, 3]
    assert np.isnan(value[1])


def test_one_dip_among_a_thousand_stays() -> None:
    value = np.full(1000, 12.7)
    value[431] = 9.8
    at, kept = thin(np.arange(1000), value, 90)
    assert 431 in at.tolist()
    assert kept.min() == 9.8


def test_a_gap_stays_a_gap() -> None:
    value = np.arange(1000.0)
    value[500:503] = np.nan
    at, kept = thin(np.arange(1000), value, 90)
    assert set(at[np.isnan(kept)].tolist()) <= {500, 501, 502}
    assert np.isnan(kept).any()


@settings(max_examples=60)
@given(arrays(np.float64, st.integers(1, 400), elements=numbers), st.integers(3, 60))
def test_keeps_the_extremes_in_order_and_never_more_than_asked(
    value: "np.ndarray[tuple[int], np.dtype[np.float64]]", most: int
) -> None:
    at, kept = thin(np.arange(len(value)), value, most)
    assert len(at) <= most
    assert (np.diff(at) > 0).all()
    assert np.array_equal(value[at], kept, equal_nan=True)
    assert np.isnan(value).any() == np.isnan(kept).any()
    if not np.isnan(value).all():
        assert (np.nanmin(kept), np.nanmax(kept)) == (np.nanmin(value), np.nanmax(value))

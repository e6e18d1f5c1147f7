"""Packed hours come back exactly, whole numbers or any others."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.errors import DecodeError
from tallymast.domain.record.hour_packs import HourRows, pack_hours, unpack_hours

DAY = 1_772_928_000_000
HOUR_MS = 3_600_000

whole = st.integers(-(2**53) + 1, 2**53 - 1).map(float)
small = st.integers(-50_000, 50_000).map(float)
real = st.floats(allow_nan=True, allow_infinity=True)


@st.composite
def entries(draw: st.DrawFn) -> list[HourRows]:
    made = []
    for n in range(draw(st.integers(0, 4))):
        number = draw(st.sampled_from((small, whole, real)))
        hours = sorted(draw(st.sets(st.integers(0, 23), min_size=1)))
        rows = [
            [
                DAY + hour * HOUR_MS,
                float(draw(st.integers(1, 3600))),
                *(draw(number) for _ in range(5)),
                float(draw(st.integers(0, 3600))),
                float(draw(st.integers(0, HOUR_MS))),
            ]
            for hour in hours
        ]
        made.append(HourRows(n + draw(st.integers(1, 10**6)) * 10, n, np.array(rows)))
    return made


def bits(rows: np.ndarray) -> list[list[bytes]]:
    return [[np.float64(one).tobytes() for one in row] for row in rows]


@given(entries())
def test_hours_come_back_bit_for_bit(given_entries: list[HourRows]) -> None:
    body = pack_hours(given_entries, DAY)
    back = unpack_hours(body, DAY)
    assert [(e.point_id, e.layout_id) for e in back] == [
        (e.point_id, e.layout_id) for e in given_entries
    ]
    for one, other in zip(back, given_entries, strict=True):
        nans = np.isnan(other.rows)
        assert (np.isnan(one.rows) == nans).all()
        assert bits(np.where(nans, 0, one.rows)) == bits(np.where(nans, 0, other.rows))
    for entry in given_entries:
        (alone,) = unpack_hours(body, DAY, entry.point_id)
        assert len(alone.rows) == len(entry.rows)


def test_a_day_of_a_noisy_level_takes_a_quarter_of_its_rows() -> None:
    chance = np.random.default_rng(1)
    rows = np.zeros((24, 9))
    rows[:, 0] = DAY + HOUR_MS * np.arange(24)
    rows[:, 1] = 360
    rows[:, 2] = 360 * 12_000 + chance.integers(-100, 100, 24)
    rows[:, 3:7] = 12_000 + chance.integers(-15, 15, (24, 4))
    rows[:, 7] = chance.integers(320, 345, 24)
    assert len(pack_hours([HourRows(7, 3, rows)], DAY)) < 24 * 40 / 4


def test_what_is_damaged_or_newer_is_refused() -> None:
    rows = np.array([[DAY, 1.0, 2.0, 2.0, 2.0, 2.0, 2.0, 0.0, 0.0]])
    body = pack_hours([HourRows(7, 3, rows)], DAY)
    with pytest.raises(DecodeError, match="cannot read"):
        unpack_hours(b"\x02" + body[1:], DAY)
    with pytest.raises(DecodeError):
        unpack_hours(body[:-3], DAY)
    assert math.isclose(unpack_hours(body, DAY)[0].rows[0, 2], 2.0)
    assert unpack_hours(body, DAY, 8) == []

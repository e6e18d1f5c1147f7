"""Columns of integers, made small and read back."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.errors import DecodeError
from tallymast.domain.record.streams import (
    read_stream,
    read_varint,
    skip_stream,
    write_stream,
    write_varint,
)

# Their differences must fit 64 bits; times, tenths and registers are far inside.
ints = st.integers(-(2**61), 2**61)


@given(st.lists(ints, max_size=200))
def test_a_column_comes_back_as_it_was(values: list[int]) -> None:
    column = np.array(values, np.int64)
    body = b"before" + write_stream(column) + b"after"
    read, at = read_stream(body, 6, len(values))
    assert read.tolist() == values
    assert body[at:] == b"after"
    assert skip_stream(body, 6) == at


@given(st.lists(st.integers(0, 65535), max_size=200))
def test_registers_come_back_as_they_were_though_they_wrap(values: list[int]) -> None:
    stream = write_stream(np.array(values, np.int64), words=True)
    assert read_stream(stream, 0, len(values))[0].tolist() == values


@given(
    st.integers(-(2**50), 2**50),
    st.integers(1, 10**6),
    st.lists(st.tuples(st.integers(0, 3), st.integers(-2000, 2000)), max_size=200),
)
def test_a_clock_comes_back_however_it_jitters_and_leaps(
    base: int, tick: int, leaps: list[tuple[int, int]]
) -> None:
    ticks, values = 0, []
    for leap, off in leaps:
        ticks += leap
        values.append(base + ticks * tick + off)
    stream = write_stream(np.array(values, np.int64), clock=True)
    assert read_stream(stream + b"after", 0, len(values))[0].tolist() == values
    assert skip_stream(stream + b"after", 0) == len(stream)


@given(st.lists(ints, max_size=100))
def test_any_column_may_be_taken_for_a_clock(values: list[int]) -> None:
    stream = write_stream(np.array(values, np.int64), clock=True)
    assert read_stream(stream, 0, len(values))[0].tolist() == values


def test_a_clock_with_jitter_costs_its_jitter() -> None:
    # 10 s and 0..15 ms: four bits a time, half a byte, and a deflate header. Their differences
    # are spread as a triangle over 31 values: log2 16 + 1 / (2 ln 2) = 4.72 bits, by hand.
    rng = np.random.default_rng(3)
    times = np.arange(8000, dtype=np.int64) * 10_000 + rng.integers(0, 16, 8000)
    assert len(write_stream(times, clock=True)) < 8000 * 0.5 * 1.05
    assert len(write_stream(times)) > 8000 * 4.72 / 8


@given(st.integers(0, 2**70))
def test_a_varint_comes_back(number: int) -> None:
    assert read_varint(write_varint(number), 0)[0] == number


@pytest.mark.parametrize(
    ("number", "stored"),
    [
        # By hand, seven bits a byte, lowest first, top bit: more follows.
        (0, b"\x00"),
        (127, b"\x7f"),
        (128, b"\x80\x01"),
        (300, b"\xac\x02"),  # 300 = 0b10_0101100
    ],
)
def test_a_varint_is_written_seven_bits_a_byte(number: int, stored: bytes) -> None:
    assert write_varint(number) == stored


def test_a_column_that_never_changes_takes_a_few_bytes_however_long() -> None:
    # Kind, and 300 zigzag 600: two bytes.
    assert len(write_stream(np.full(8640, 300, np.int64))) == 3


def test_a_counter_that_wraps_costs_what_one_that_does_not_costs() -> None:
    climbs = np.arange(5000, dtype=np.int64) * 7
    wraps = (climbs + 60000) % 65536
    assert len(write_stream(wraps, words=True)) <= len(write_stream(climbs, words=True)) + 8


@pytest.mark.parametrize("cut", range(1, 30))
def test_a_stream_cut_short_is_refused(cut: int) -> None:
    rng = np.random.default_rng(1)
    stream = write_stream(rng.integers(0, 1000, 40))
    with pytest.raises(DecodeError, match="stored hour"):
        read_stream(stream[:-cut], 0, 40)


def test_an_unknown_way_of_writing_is_refused() -> None:
    with pytest.raises(DecodeError, match="this version cannot read"):
        read_stream(b"\x09\x00", 0, 3)

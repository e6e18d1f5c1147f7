"""Whole columns decode as single words do, in every layout and order."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.errors import DecodeError
from tallymast.domain.modbus.layouts import loop_condition, registers_needed
from tallymast.domain.model import (
    Block,
    LayoutPoint,
    Order,
    Outcome,
    PointKind,
    Poll,
    PollFlag,
    SiteLayout,
    Table,
    WordLayout,
)
from tallymast.domain.readings import decode_point
from tallymast.domain.record.chunks import block_widths, columns_of
from tallymast.domain.record.columns import decode_column

LENGTHS = {WordLayout.TEXT: 3, WordLayout.MOD10K: 2}


def layout_with(
    layout: WordLayout, word_order: Order, byte_order: Order, bit: int | None, loop: str | None
) -> SiteLayout:
    length = registers_needed(layout, LENGTHS.get(layout, 1))
    point = LayoutPoint(
        1,
        "P",
        PointKind.ANALOG_INPUT,
        0,
        1,
        layout,
        bit,
        length,
        word_order,
        byte_order,
        None,
        None,
        "",
        loop,
    )
    return SiteLayout(1, 1, (Block(Table.INPUT, 0, 6),), (point,))


def polls_with(rows: list[bytes]) -> list[Poll]:
    return [
        Poll(1, 1000 + n, Outcome.FIRST_TRY, PollFlag.NONE, 1, 80.0, 1, 1, 0, row)
        for n, row in enumerate(rows)
    ]


@pytest.mark.parametrize("byte_order", list(Order))
@pytest.mark.parametrize("word_order", list(Order))
@pytest.mark.parametrize("layout", list(WordLayout))
@given(rows=st.lists(st.binary(min_size=12, max_size=12), min_size=1, max_size=6))
def test_a_column_says_what_each_poll_says(
    rows: list[bytes], layout: WordLayout, word_order: Order, byte_order: Order
) -> None:
    bit = 5 if layout is WordLayout.BOOL else None
    site = layout_with(layout, word_order, byte_order, bit, None)
    polls = polls_with(rows)
    column = decode_column(columns_of(polls, block_widths(site.blocks)), site, site.points[0])
    for n, row in enumerate(rows):
        try:
            single = decode_point(site, site.points[0], row)
        except DecodeError:
            assert not column.read[n]
            continue
        assert column.read[n]
        if isinstance(single, float) and np.isnan(single):
            assert np.isnan(column.raw[n])
        else:
            assert column.raw[n] == single


@pytest.mark.parametrize("layout", [WordLayout.UINT16, WordLayout.FLOAT32])
@pytest.mark.parametrize("microamps", [0, 3500, 3600, 3601, 4000, 12_000, 20_999, 21_000, 40_000])
def test_a_loop_fault_is_no_value_in_a_column_either(layout: WordLayout, microamps: int) -> None:
    # NAMUR NE 43 (secondary restatement): failure at 3.6 mA and below, at 21.0 mA and above.
    words = np.array([microamps], ">u2").tobytes()
    if layout is WordLayout.FLOAT32:
        words = np.array([microamps], ">f4").tobytes()
    row = b"\0\0" + words + b"\0" * (10 - len(words))
    site = layout_with(layout, Order.HIGH_FIRST, Order.HIGH_FIRST, None, "4-20mA")
    columns = columns_of(polls_with([row]), block_widths(site.blocks))
    column = decode_column(columns, site, site.points[0])
    assert bool(column.good[0]) is not loop_condition(microamps).is_fault
    assert bool(column.good[0]) is (3600 < microamps < 21_000)

"""An hour of polls in one small body, exactly as they were."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallymast.domain.errors import DecodeError
from tallymast.domain.model import Block, Outcome, Poll, PollFlag, Table
from tallymast.domain.record.chunks import (
    block_widths,
    columns_of,
    merge,
    pack,
    pack_columns,
    polls_of,
    unpack,
)

START_MS = 1_772_953_200_000  # 2026-03-08T07:00:00Z


@st.composite
def polls_and_widths(draw: st.DrawFn, max_size: int = 30) -> tuple[list[Poll], tuple[int, ...]]:
    widths = tuple(draw(st.lists(st.integers(1, 5), min_size=1, max_size=4)))
    times = draw(st.lists(st.integers(0, 3_599_999), unique=True, max_size=max_size))
    return [draw(one_poll(START_MS + at, widths)) for at in times], widths


@st.composite
def one_poll(draw: st.DrawFn, at_ms: int, widths: tuple[int, ...]) -> Poll:
    got = draw(st.integers(0, 2 ** len(widths) - 1))
    length = 2 * sum(width for block, width in enumerate(widths) if got >> block & 1)
    tenths = draw(st.none() | st.integers(0, 1_200_000))
    return Poll(
        site_id=5,
        at_ms=at_ms,
        outcome=draw(st.sampled_from(Outcome)),
        flags=PollFlag(draw(st.integers(0, 31))),
        tries=draw(st.integers(0, 9)),
        answer_ms=None if tenths is None else tenths / 10,
        layout_id=3,
        got=got,
        code=draw(st.sampled_from([0, 1, 2, 3, 4, 6, 11])),
        words=draw(st.binary(min_size=length, max_size=length)),
    )


def in_order(polls: list[Poll]) -> list[Poll]:
    return sorted(polls, key=lambda poll: poll.at_ms)


@given(polls_and_widths())
def test_polls_come_back_exactly(given_polls: tuple[list[Poll], tuple[int, ...]]) -> None:
    polls, widths = given_polls
    assert polls_of(unpack(pack(polls, widths)), 5, 3) == in_order(polls)


@given(polls_and_widths(), st.data())
@settings(max_examples=60)
def test_merging_in_any_parts_and_twice_is_the_whole(
    given_polls: tuple[list[Poll], tuple[int, ...]], data: st.DataObject
) -> None:
    polls, widths = given_polls
    mine = data.draw(st.lists(st.booleans(), min_size=len(polls), max_size=len(polls)))
    first = columns_of([poll for poll, here in zip(polls, mine, strict=True) if here], widths)
    second = columns_of([poll for poll, here in zip(polls, mine, strict=True) if not here], widths)
    whole = pack(polls, widths)
    merged = merge(merge(first, second), first)
    assert pack_columns(merged) == whole
    assert pack_columns(merge(unpack(whole), second)) == whole


@given(polls_and_widths(), st.data())
@settings(max_examples=40)
def test_a_part_of_the_registers_may_be_read_alone(
    given_polls: tuple[list[Poll], tuple[int, ...]], data: st.DataObject
) -> None:
    polls, widths = given_polls
    wanted = data.draw(st.sets(st.integers(0, sum(widths) - 1)))
    body = pack(polls, widths)
    part, whole = unpack(body, wanted), unpack(body)
    for register in range(sum(widths)):
        expected = whole.words[:, register] if register in wanted else 0
        assert (part.words[:, register] == expected).all()


def test_of_two_polls_at_one_instant_the_later_given_stays() -> None:
    old = poll_with(b"\x00\x01")
    new = poll_with(b"\x00\x02")
    merged = merge(columns_of([old], (1,)), columns_of([new], (1,)))
    assert polls_of(merged, 5, 3) == [new]


def test_an_hour_without_polls_is_an_hour() -> None:
    assert len(unpack(pack([], (2, 1)))) == 0


def test_what_was_not_got_is_marked_and_costs_nothing() -> None:
    # 200 polls that all got the block, or every second one only: the rest repeats.
    steady = [poll_with(b"\x12\x34", at_ms=START_MS + 10_000 * n) for n in range(200)]
    half = [
        poll if n % 2 == 0 else poll_with(b"", at_ms=poll.at_ms, got=0)
        for n, poll in enumerate(steady)
    ]
    columns = unpack(pack(half, (1,)))
    assert columns.has(0).tolist() == [True, False] * 100
    assert (columns.words == 0x1234).all()


def test_between_takes_the_first_instant_and_leaves_the_last() -> None:
    columns = columns_of([poll_with(b"\x00\x01", at_ms=at) for at in (10, 20, 30)], (1,))
    assert columns.between(10, 30).at_ms.tolist() == [10, 20]


def test_answer_times_read_as_milliseconds_and_nan() -> None:
    one, none = poll_with(b"\x00\x01", at_ms=1), poll_with(b"", at_ms=2, got=0, answer_ms=None)
    answer_ms = columns_of([one, none], (1,)).answer_ms
    assert answer_ms[0] == 143.7
    assert np.isnan(answer_ms[1])


def test_words_that_do_not_fill_the_blocks_are_refused() -> None:
    with pytest.raises(DecodeError, match="2 bytes for blocks of 4"):
        pack([poll_with(b"\x00\x01")], (2,))


def test_a_block_the_layout_does_not_have_is_refused() -> None:
    with pytest.raises(DecodeError, match="block 1 of 1"):
        pack([poll_with(b"\x00\x01", got=2)], (1,))


def test_two_layouts_do_not_merge() -> None:
    with pytest.raises(DecodeError, match="two layouts"):
        merge(columns_of([], (1,)), columns_of([], (2,)))


def test_a_newer_format_is_refused_in_a_sentence() -> None:
    with pytest.raises(DecodeError, match="format 3; this version reads format 2"):
        unpack(b"\x03")


def test_coils_take_one_word_for_sixteen() -> None:
    blocks = (Block(Table.COIL, 0, 17), Block(Table.INPUT, 30, 3))
    assert block_widths(blocks) == (2, 3)


def poll_with(
    words: bytes, *, at_ms: int = START_MS, got: int = 1, answer_ms: float | None = 143.7
) -> Poll:
    return Poll(5, at_ms, Outcome.FIRST_TRY, PollFlag.NONE, 1, answer_ms, 3, got, 0, words)

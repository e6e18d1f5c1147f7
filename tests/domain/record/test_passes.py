"""Two passes of one time are kept side by side: nothing lost, nothing twice, always ascending."""

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.domain.record.test_chunks import START_MS, poll_with

from tallymast.domain.model import Outcome, Poll
from tallymast.domain.record.chunks import PollColumns, columns_of, merge, pack_columns, polls_of
from tallymast.domain.record.passes import HOUR_MS, both_passes, instants_near

WIDTHS = (1,)


def columns(polls: list[Poll]) -> PollColumns:
    return columns_of(polls, WIDTHS)


def polls(found: PollColumns) -> list[Poll]:
    return polls_of(found, 5, 3)


def contents(some: list[Poll]) -> list[Poll]:
    """What polls say besides their instants, in an order of their own."""
    bare = [replace(poll, at_ms=0) for poll in some]
    return sorted(bare, key=lambda poll: (poll.words, poll.outcome, poll.tries))


@st.composite
def a_pass(draw: st.DrawFn, prefix: int, distinct: bool = True) -> list[Poll]:
    """Polls crowded into a few milliseconds at an hour's beginning, middle or end."""
    base = draw(st.sampled_from([START_MS, START_MS + 1_000_000, START_MS + HOUR_MS - 6]))
    times = draw(st.lists(st.integers(0, 5), unique=True, max_size=6))
    words = [bytes([prefix, n if distinct else draw(st.integers(0, 1))]) for n in range(len(times))]
    return [poll_with(word, at_ms=base + at) for at, word in zip(times, words, strict=True)]


@given(a_pass(1), a_pass(2))
def test_every_poll_of_both_passes_is_there_once(first: list[Poll], second: list[Poll]) -> None:
    found = polls(both_passes(columns(first), columns(second)))
    assert contents(found) == contents(first + second)


@given(a_pass(1, distinct=False), a_pass(1, distinct=False))
def test_what_either_pass_says_is_said(first: list[Poll], second: list[Poll]) -> None:
    found = polls(both_passes(columns(first), columns(second)))
    assert {poll.words for poll in found} == {poll.words for poll in first + second}


@given(a_pass(1, distinct=False), a_pass(1, distinct=False))
def test_the_same_polls_again_change_nothing(first: list[Poll], second: list[Poll]) -> None:
    once = both_passes(columns(first), columns(second))
    assert pack_columns(both_passes(once, columns(second))) == pack_columns(once)
    assert pack_columns(both_passes(once, columns(first))) == pack_columns(once)


@given(a_pass(1), a_pass(2))
def test_instants_ascend_and_stay_in_their_hour(first: list[Poll], second: list[Poll]) -> None:
    found = both_passes(columns(first), columns(second))
    assert (np.diff(found.at_ms) > 0).all()
    assert set(found.at_ms // HOUR_MS) <= {START_MS // HOUR_MS}


@given(a_pass(1), a_pass(2))
@settings(max_examples=50)
def test_what_is_kept_stays_where_it_was(first: list[Poll], second: list[Poll]) -> None:
    found = polls(both_passes(columns(first), columns(second)))
    assert [poll for poll in found if poll.words[:1] == b"\x01"] == polls(columns(first))


@given(a_pass(1), a_pass(2))
@settings(max_examples=50)
def test_passes_that_do_not_meet_are_only_merged(first: list[Poll], second: list[Poll]) -> None:
    apart = [replace(poll, at_ms=poll.at_ms + HOUR_MS) for poll in second]
    found = both_passes(columns(first), columns(apart))
    assert pack_columns(found) == pack_columns(merge(columns(first), columns(apart)))


def test_a_poll_that_meets_another_goes_one_millisecond_later() -> None:
    old, new = poll_with(b"\x00\x01"), poll_with(b"\x00\x02")
    found = polls(both_passes(columns([old]), columns([new])))
    assert found == [old, replace(new, at_ms=START_MS + 1)]


def test_at_an_hours_end_it_goes_one_earlier() -> None:
    last_ms = START_MS + HOUR_MS - 1
    old, new = poll_with(b"\x00\x01", at_ms=last_ms), poll_with(b"\x00\x02", at_ms=last_ms)
    found = polls(both_passes(columns([old]), columns([new])))
    assert found == [replace(new, at_ms=last_ms - 1), old]


def test_a_miss_and_an_answer_at_one_instant_are_two_polls() -> None:
    heard = poll_with(b"\x00\x01")
    missed = replace(poll_with(b"", got=0, answer_ms=None), outcome=Outcome.NO_ANSWER)
    assert len(both_passes(columns([heard]), columns([missed]))) == 2


def test_registers_that_were_not_read_are_not_compared() -> None:
    # A reader of register 0 alone finds register 1 empty in the chunk, and full in the hot row.
    poll = poll_with(b"\x00\x01\x00\x07")
    whole = columns_of([poll], (2,))
    partly = replace(whole, words=whole.words * np.array([1, 0], np.uint16))
    assert len(both_passes(partly, whole, [0])) == 1
    assert len(both_passes(partly, whole)) == 2


def test_an_hour_is_searched_to_both_ends() -> None:
    near = list(instants_near(START_MS + HOUR_MS - 2))
    assert near[:3] == [START_MS + HOUR_MS - 2, START_MS + HOUR_MS - 1, START_MS + HOUR_MS - 3]
    assert sorted(near) == list(range(START_MS, START_MS + HOUR_MS))

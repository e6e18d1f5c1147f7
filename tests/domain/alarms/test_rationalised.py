"""Words people write of an alarm stand in place of what is built in, field by field."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.alarms.model import Alarm, Kind
from tallymast.domain.alarms.rationalised import (
    LONGEST,
    Written,
    apart,
    as_built,
    change_words,
    one_line,
    with_words,
    wrong_with,
)
from tallymast.domain.model import Priority

HIGH = Alarm(
    "hob-gate/LVL/high",
    Kind.HIGH,
    Priority.HIGH,
    "hob-gate",
    "LVL",
    limit=4.5,
    rationale="The level is high.",
    consequence="It goes on.",
    response="Look at it.",
)
OTHER = replace(HIGH, key="hob-gate/LVL/low", kind=Kind.LOW)
CALL = "Call the canal company; 20 min until it spills."
WRITTEN = Written(Priority.URGENT, response=CALL, actor="r.hale", at_ms=5)


def test_what_is_written_stands_in_place_and_the_rest_stays() -> None:
    high, other = with_words([HIGH, OTHER], {HIGH.key: WRITTEN})
    assert (high.priority, high.response) == (Priority.URGENT, CALL)
    assert (high.rationale, high.consequence) == ("The level is high.", "It goes on.")
    assert (high.limit, high.key, high.kind) == (4.5, "hob-gate/LVL/high", Kind.HIGH)
    assert as_built(high) == HIGH
    assert other is OTHER


def test_words_of_an_alarm_that_is_not_there_change_nothing() -> None:
    assert with_words([OTHER], {HIGH.key: WRITTEN}) == (OTHER,)


def test_what_is_built_in_anyway_is_not_written() -> None:
    wanted = Written(Priority.HIGH, "The level is high.", "It goes on.", CALL)
    assert apart(HIGH, wanted) == Written(response=CALL)
    assert apart(HIGH, replace(wanted, response="Look at it.")).is_empty
    assert with_words([HIGH], {HIGH.key: wanted})[0].rationale == "The level is high."


def test_who_only_wrote_what_is_built_in_leaves_no_trace() -> None:
    (high,) = with_words([HIGH], {HIGH.key: Written(Priority.HIGH)})
    assert high.built_in is None


words = st.text(st.characters(categories=["L", "N", "Zs"]), max_size=12).map(one_line)
some = st.builds(Written, st.none() | st.sampled_from(Priority), words, words, words)


@given(some)
def test_writing_twice_is_writing_once_and_taking_back_is_as_built(one: Written) -> None:
    once = with_words([HIGH], {HIGH.key: one})
    assert with_words(once, {HIGH.key: one}) == once
    assert with_words(once, {HIGH.key: apart(HIGH, one)}) == once
    assert with_words(once, {HIGH.key: Written()}) == (HIGH,)


@pytest.mark.parametrize("one", ["\x00", "\x07", "\x1b[2J", "\u202e", "\x9b"])
def test_what_no_text_holds_is_refused_in_a_sentence(one: str) -> None:
    # PostgreSQL 17 manual, 8.3: the character with code zero cannot be stored (from memory).
    said = wrong_with("What to do", f"Call them{one} now")
    assert said.startswith("What to do: a control character stands after “Call them”")
    assert one not in said


def test_six_hundred_characters_are_kept_and_one_more_is_not() -> None:
    assert LONGEST == 600
    assert wrong_with("What to do", "ö" * 600) == ""
    assert "has 601 characters; at most 600" in wrong_with("What to do", "ö" * 601)


def test_lines_become_one_line() -> None:
    assert one_line(" Call them.\r\n\r\nThen\tgo. ") == "Call them. Then go."


def test_new_and_old_words_are_told_together() -> None:
    said = change_words(HIGH, Written(), WRITTEN)
    assert said == f"priority urgent, before high; what to do “{CALL}”, before “Look at it.”"
    back = change_words(HIGH, WRITTEN, Written())
    assert back == f"priority high, before urgent; what to do “Look at it.”, before “{CALL}”"
    assert change_words(HIGH, WRITTEN, WRITTEN) == ""

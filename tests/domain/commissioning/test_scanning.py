"""Which addresses a scan asks, how long it takes at most, and what its rows say."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.commissioning.scanning import (
    Heard,
    Hearing,
    checked_timeout,
    heard_of,
    length_of,
    spans_of,
    tally,
    units_between,
)
from tallymast.domain.errors import ConfigError


def test_addresses_in_use_are_left_out_where_wished() -> None:
    assert units_between(1, 6, {2, 3}, free_only=True) == (1, 4, 5, 6)
    assert units_between(1, 6, {2, 3}, free_only=False) == (1, 2, 3, 4, 5, 6)


# MODBUS over Serial Line V1.02 §2.2: unit addresses are 1 to 247, 0 is for broadcasts.
@pytest.mark.parametrize(("first", "last"), [(0, 5), (240, 248), (9, 8)])
def test_what_is_no_range_of_addresses_is_refused(first: int, last: int) -> None:
    with pytest.raises(ConfigError, match="go from 1 to 247"):
        units_between(first, last, free_only=False)


def test_a_range_full_of_sites_is_refused_with_what_to_do() -> None:
    with pytest.raises(ConfigError, match="every address from 2 to 3; widen"):
        units_between(2, 3, {2, 3}, free_only=True)


def test_sixty_silent_addresses_take_ten_and_a_half_minutes() -> None:
    # By hand: 60 x (2.0 s of waiting + 0.1 s of pause) = 126 s of airtime; at a fifth 630 s.
    # One station found: 6 reads more x 2.1 s = 12.6 s; at a fifth 63 s.
    length = length_of(60, 7, 2.0)
    assert length.silent_s == pytest.approx(630.0)
    assert length.each_s == pytest.approx(63.0)


@pytest.mark.parametrize("timeout_s", [0.0, 31.0, float("nan"), float("inf")])
def test_a_timeout_that_is_none_is_refused(timeout_s: float) -> None:
    with pytest.raises(ConfigError, match=r"between 0\.1 and 30 s"):
        checked_timeout(timeout_s)


def test_a_stored_row_is_understood() -> None:
    row = {
        "unit": 19,
        "heard": "refusal",
        "code": 2,
        "ms": 84.1,
        "site": None,
        "profiles": {"tank": {"asked": 3, "answered": 1}},
    }
    assert heard_of(row) == Heard(19, Hearing.REFUSAL, 2, 84.1, None, {"tank": (3, 1)})
    silent = {"unit": 4, "heard": "silence", "code": 0, "ms": None, "site": "hob", "profiles": {}}
    assert heard_of(silent) == Heard(4, Hearing.SILENCE, 0, None, "hob", {})


def test_a_stranger_answers_where_nobody_is_configured() -> None:
    assert Heard(9, Hearing.ANSWER).is_stranger
    assert Heard(9, Hearing.GARBLED).is_stranger
    assert not Heard(9, Hearing.SILENCE).is_stranger
    assert not Heard(9, Hearing.ANSWER, site="hob").is_stranger


def test_what_was_heard_is_counted_by_kind() -> None:
    rows = [Heard(1, Hearing.ANSWER), Heard(2, Hearing.SILENCE), Heard(3, Hearing.SILENCE)]
    counts = tally(rows)
    assert (counts[Hearing.ANSWER], counts[Hearing.SILENCE], counts[Hearing.GARBLED]) == (1, 2, 0)


def test_addresses_are_said_in_spans() -> None:
    assert spans_of([1, 2, 3, 6, 8, 9]) == "1 to 3, 6, 8 to 9"
    assert spans_of([]) == ""


@given(st.sets(st.integers(1, 247), min_size=1))
def test_spans_name_every_address_and_no_other(units: set[int]) -> None:
    named: set[int] = set()
    for span in spans_of(sorted(units)).split(", "):
        ends = [int(one) for one in span.split(" to ")]
        named |= set(range(ends[0], ends[-1] + 1))
    assert named == units

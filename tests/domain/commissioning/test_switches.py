"""Address switches against binary place values worked by hand."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.commissioning.switches import (
    address_of,
    positions_of,
    reckoning,
    settable,
    switch_words,
    weights,
    why_not,
)
from tallymast.domain.errors import ConfigError
from tallymast.domain.model import Switches

PLAIN = Switches()


def on(unit: int, switches: Switches = PLAIN) -> list[int]:
    """Numbers of the switches that are to stand ON."""
    return [one.number for one in positions_of(unit, switches) if one.is_on]


# Binary place values by hand: 19 = 16 + 2 + 1, 100 = 64 + 32 + 4, 247 = 255 - 8.
@pytest.mark.parametrize(
    ("unit", "standing"),
    [
        (1, [1]),
        (2, [2]),
        (19, [1, 2, 5]),
        (100, [3, 6, 7]),
        (128, [8]),
        (247, [1, 2, 3, 5, 6, 7, 8]),
    ],
)
def test_the_switches_that_are_on_add_up_to_the_address(unit: int, standing: list[int]) -> None:
    assert on(unit) == standing


def test_eight_positions_weigh_1_to_128() -> None:
    assert weights(PLAIN) == (1, 2, 4, 8, 16, 32, 64, 128)
    assert weights(Switches(first="high")) == (128, 64, 32, 16, 8, 4, 2, 1)


def test_inverted_switches_count_where_they_are_off() -> None:
    # 19 = 16 + 2 + 1: exactly 1, 2 and 5 are OFF.
    assert on(19, Switches(on_is=0)) == [3, 4, 6, 7, 8]


def test_reversed_switches_weigh_most_at_the_first_position() -> None:
    # 128 64 32 16 8 4 2 1: 16 is at the fourth, 2 at the seventh, 1 at the eighth position.
    assert on(19, Switches(first="high")) == [4, 7, 8]


def test_what_the_station_adds_is_not_set() -> None:
    assert on(19, Switches(offset=1)) == [2, 5]  # they show 18 = 16 + 2
    assert on(100, Switches(positions=4, offset=100)) == []  # they show 0
    assert on(5, Switches(positions=4, offset=-3)) == [4]  # they show 8


def test_offset_polarity_and_order_work_together() -> None:
    # 6 positions, most first, OFF counts, the station adds 10: 31 is shown as 21 = 16 + 4 + 1,
    # at weights 32 16 8 4 2 1 the positions 2, 4 and 6 are OFF.
    odd = Switches(positions=6, offset=10, on_is=0, first="high")
    assert on(31, odd) == [1, 3, 5]
    assert address_of([True, False, True, False, True, False], odd) == 31


def test_the_words_and_the_reckoning_say_the_same() -> None:
    assert switch_words(positions_of(5, Switches(positions=4))) == "1 ON, 2 OFF, 3 ON, 4 OFF"
    assert reckoning(19, PLAIN) == "16 + 2 + 1 = 19"
    assert reckoning(31, Switches(offset=10)) == "16 + 4 + 1 + 10 added by the station = 31"
    assert reckoning(5, Switches(offset=-3)) == "8 \u2212 3 taken off by the station = 5"
    assert reckoning(100, Switches(offset=100)) == "0 + 100 added by the station = 100"


@pytest.mark.parametrize(
    ("unit", "switches", "said"),
    [
        (16, Switches(positions=4), "16 cannot be set with 4 switches: they reach from 1 to 15"),
        (9, Switches(offset=10), "the station adds 10: they reach from 10 to 247"),
        (1, Switches(positions=3, offset=-8), "no unit address can be set at all"),
        (248, PLAIN, "from 1 to 247"),
        (0, PLAIN, "from 1 to 247"),
    ],
)
def test_an_address_out_of_reach_is_said_with_the_reach(
    unit: int, switches: Switches, said: str
) -> None:
    assert said in why_not(unit, switches)
    with pytest.raises(ConfigError, match="set"):
        positions_of(unit, switches)


def test_so_many_switches_must_be_given_as_there_are() -> None:
    with pytest.raises(ConfigError, match="8 switches, 3 were given"):
        address_of([True, False, True], PLAIN)


SETTINGS = st.builds(
    Switches,
    positions=st.integers(1, 16),
    offset=st.integers(-247, 247),
    on_is=st.sampled_from([0, 1]),
    first=st.sampled_from(["low", "high"]),
)


@given(SETTINGS)
def test_every_address_in_reach_comes_back_and_no_other_can_be_set(switches: Switches) -> None:
    reach = settable(switches)
    for unit in range(1, 248):
        assert (why_not(unit, switches) == "") == (unit in reach)
        if unit in reach:
            stands = [one.is_on for one in positions_of(unit, switches)]
            assert address_of(stands, switches) == unit


@given(st.integers(1, 247))
def test_plain_switches_are_the_binary_digits(unit: int) -> None:
    # A second form: Python's own binary digits, the lowest first.
    digits = f"{unit:08b}"[::-1]
    assert "".join("1" if one.is_on else "0" for one in positions_of(unit, PLAIN)) == digits

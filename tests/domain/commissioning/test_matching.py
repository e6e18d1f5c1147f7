"""Which profile fits a station, from which reads it answered."""

from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain import network_file
from tallymast.domain.commissioning.matching import likeliest_first, matches, profile_blocks
from tallymast.domain.commissioning.scanning import Heard, Hearing
from tallymast.domain.model import Network

POINT = """
[[profile.point]]
tag = "{0}"
name = "{0}"
kind = "analog-input"
table = "{1}"
register = {2}
layout = "uint16"
"""


def network() -> Network:
    text = "".join(
        [
            '[[gateway]]\nkey = "mast"\nname = "Mast"\ntransport = "modbus-tcp"\n',
            'address = "127.0.0.1:5020"\n[[profile]]\nkey = "tank"\n',
            POINT.format("A", "input", 0),
            POINT.format("B", "input", 1),
            POINT.format("C", "holding", 500),
            '[[profile]]\nkey = "pump"\n',
            POINT.format("A", "input", 7),
        ]
    )
    return network_file.read(text, "profiles.toml")[1]


def heard(profiles: dict[str, tuple[int, int]]) -> Heard:
    return Heard(9, Hearing.ANSWER, profiles=profiles)


def test_the_reads_of_a_profile_are_its_registers_in_as_few_blocks_as_lie_apart() -> None:
    found = network()
    blocks = profile_blocks(found.profiles[0], found.gateways[0])
    read = [(block.table.value, block.start, block.count) for block in blocks]
    assert sorted(read) == [("holding", 500, 1), ("input", 0, 2)]


def test_of_several_that_fit_the_one_with_most_registers_comes_first() -> None:
    found = matches(
        heard({"small": (1, 1), "large": (3, 3), "part": (4, 3)}),
        {"small": 4, "large": 30, "part": 99},
    )
    assert [(one.profile, one.is_whole) for one in found] == [
        ("large", True),
        ("small", True),
        ("part", False),
    ]
    assert (found[2].answered, found[2].asked) == (3, 4)


def test_of_those_that_fit_in_part_the_larger_part_comes_first() -> None:
    found = matches(heard({"half": (4, 2), "most": (4, 3)}), {"half": 50, "most": 5})
    assert [one.profile for one in found] == ["most", "half"]


def test_who_refuses_everything_fits_no_profile() -> None:
    assert matches(heard({"tank": (3, 0), "pump": (2, 0)}), {}) == ()


def test_the_profile_expected_is_tried_first_then_those_most_used() -> None:
    tank, pump = network().profiles
    assert likeliest_first((tank, pump), None, ["pump", "pump", "tank"]) == (pump, tank)
    assert likeliest_first((tank, pump), "tank", ["pump", "pump"]) == (tank, pump)
    assert likeliest_first((tank, pump), None, []) == (tank, pump)


TRIED = st.dictionaries(
    st.sampled_from("abcdef"),
    st.tuples(st.integers(1, 9), st.integers(0, 9)).map(lambda one: (one[0], min(one))),
)


@given(TRIED, st.dictionaries(st.sampled_from("abcdef"), st.integers(1, 99)))
def test_no_profile_that_fits_whole_stands_behind_one_that_does_not(
    tried: dict[str, tuple[int, int]], registers: dict[str, int]
) -> None:
    whole = [one.is_whole for one in matches(heard(tried), registers)]
    assert whole == sorted(whole, reverse=True)
    assert len(whole) == sum(answered > 0 for _, answered in tried.values())

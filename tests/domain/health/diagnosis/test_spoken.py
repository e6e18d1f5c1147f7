"""Directions and numbers in words."""

import pytest

from tallymast.domain.health.diagnosis.spoken import direction, percent, some


@pytest.mark.parametrize(
    ("bearing", "word"),
    # The sixteen winds stand 22.5° apart, north at 0°.
    [
        (0, "north"),
        (359, "north"),
        (22.5, "north-north-east"),
        (90, "east"),
        (135, "south-east"),
        (202.5, "south-south-west"),
        (247.5, "west-south-west"),
        (337.5, "north-north-west"),
    ],
)
def test_a_bearing_is_said_as_a_wind(bearing: float, word: str) -> None:
    assert direction(bearing) == word


def test_all_but_one_poll_is_never_a_hundred_percent() -> None:
    assert percent(9999, 10_000) == "99.9"
    assert percent(10_000, 10_000) == "100"
    assert percent(74, 100) == "74"


def test_counts_have_their_noun() -> None:
    assert some(1, "day") == "1\u00a0day"
    assert some(12_345, "poll") == "12\u00a0345\u00a0polls"

"""Directions: the smallest arc that holds some bearings, across north too."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.bearings import narrow_arc


@pytest.mark.parametrize(
    ("bearings", "expected"),
    [
        ([228.0, 241.0, 236.0], (228.0, 241.0)),
        ([350.0, 10.0, 0.0], (350.0, 10.0)),  # across north
        ([10.0, 60.0, 30.0], None),  # 50 degrees are no direction
        ([90.0], (90.0, 90.0)),
        ([0.0, 180.0], None),
        ([], None),
    ],
)
def test_an_arc_is_the_smallest_that_holds_them(
    bearings: list[float], expected: tuple[float, float] | None
) -> None:
    assert narrow_arc(bearings) == expected


@given(st.floats(0, 359), st.lists(st.floats(0, 39), min_size=1, max_size=6))
def test_turning_everything_turns_the_arc(turn: float, steps: list[float]) -> None:
    found = narrow_arc([(turn + step) % 360 for step in steps])
    assert found is not None
    assert (found[1] - found[0]) % 360 == pytest.approx(max(steps) - min(steps), abs=1e-6)

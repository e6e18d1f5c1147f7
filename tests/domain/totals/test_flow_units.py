"""Units of flow are exact, and what is none is refused."""

from fractions import Fraction

import pytest

from tallymast.domain.totals.flow_units import flow_unit


@pytest.mark.parametrize(
    ("written", "volume", "per_hour"),
    [
        ("m³/h", "m³", Fraction(1)),
        ("L/s", "L", Fraction(3600)),
        ("m3/d", "m³", Fraction(1, 24)),
        ("gpm", "US gal", Fraction(60)),
        ("Mcf/day", "Mcf", Fraction(1, 24)),
        ("cfs", "ft³", Fraction(3600)),
    ],
)
def test_a_flow_is_a_volume_over_a_time(written: str, volume: str, per_hour: Fraction) -> None:
    # Plain arithmetic: 3600 s, 60 min and 1/24 d an hour.
    found = flow_unit(written)
    assert found is not None
    assert (found.volume, found.per_hour) == (volume, per_hour)


@pytest.mark.parametrize("written", ["", "m³", "m/s", "kPa", "m³/", "/h", "m³/week"])
def test_what_is_no_flow_is_none(written: str) -> None:
    assert flow_unit(written) is None

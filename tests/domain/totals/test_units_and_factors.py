"""Units against a general library, and worked K-factors of meter manuals."""

import math
from dataclasses import replace
from fractions import Fraction

import pint
import pytest

from tallymast.domain.model import Point, PointKind, Table, WordLayout
from tallymast.domain.totals.factors import Factor, factor_of, k_factor, volume
from tallymast.domain.totals.segments import Segment
from tallymast.domain.totals.units import NAMES, converted, exact, in_m3, unit_name

HOUR = 3_600_000
POINT = Point("TOT", "Total", PointKind.TOTALIZER, Table.INPUT, 0, WordLayout.UINT32)
IN_PINT = {
    "m³": "meter**3",
    "L": "liter",
    "mL": "milliliter",
    "kL": "kiloliter",
    "ML": "megaliter",
    "US gal": "gallon",
    "imp gal": "imperial_gallon",
    "bbl": "oil_barrel",
    "ft³": "foot**3",
    "Mcf": "1000 * foot**3",
    "MMcf": "1e6 * foot**3",
    # pint's own acre_foot is of the survey foot, 6 parts in a million more.
    "acre-ft": "43560 * foot**3",
}


def test_every_unit_is_what_a_general_library_says() -> None:
    registry = pint.UnitRegistry()
    for name in NAMES:
        expected = registry.Quantity(IN_PINT[name]).to("meter**3").magnitude
        ours = in_m3(name)
        assert ours is not None
        assert float(ours) == pytest.approx(expected, rel=1e-12), name


def test_a_barrel_is_42_gallons_and_a_gallon_231_cubic_inches() -> None:
    assert converted(Fraction(1), "bbl", "US gal") == 42
    assert in_m3("gal") == 231 * Fraction(254, 10_000) ** 3
    assert converted(Fraction(1), "acre-foot", "cubic feet") == 43_560
    assert converted(Fraction(1), "Mcf", "ft3") == 1000
    assert converted(Fraction(1), "bbl", "psi") is None
    # Gallons a minute to barrels a day: 86 400 / 42 / 60 [plain arithmetic].
    assert converted(Fraction(1440), "gal", "bbl") == Fraction(1440, 42)


def test_units_are_known_as_people_write_them() -> None:
    assert [unit_name(one) for one in ("m3", "GAL", "barrels", "acre-feet", "l", "ML", "mL")] == [
        "m³",
        "US gal",
        "bbl",
        "acre-ft",
        "L",
        "ML",
        "mL",
    ]
    assert unit_name("bar") is unit_name(None) is None
    assert exact(0.1) == Fraction(1, 10)  # as people wrote it, not the double next to it
    with pytest.raises(ValueError, match="nan"):
        exact("nan")


def counted(pulses: float, from_ms: int = 0) -> Segment:
    return Segment(from_ms, from_ms + HOUR, pulses, known_ms=HOUR)


def test_a_k_factor_of_1000_makes_a_gallon_of_1000_pulses() -> None:
    # K = 1000 pulses/gal: 1000 pulses are 1 gal (definition; a meter manual's line, secondary).
    found = volume([counted(1000)], [k_factor(1000, "gal", 0)])
    assert found is not None
    assert (found.amount, found.unit) == (1, "US gal")


def test_a_k_factor_out_of_full_scale() -> None:
    # 650 Hz at 85 gpm is 458.82 pulses/gal: an hour there is 2 340 000 pulses, 5 100 gal
    # (a meter manual's worked example, secondary).
    found = volume([counted(650 * 3600)], [k_factor("458.8235294117647", "gal", 0)])
    assert found is not None
    assert float(found.amount) == pytest.approx(85 * 60, abs=0.1)


def test_a_k_factor_out_of_velocity_and_pipe() -> None:
    # 4.3 ft/s in a pipe of 3.068 in at 700 Hz: 99.1 gpm, 423.9 pulses/gal (a meter manual's
    # worked example, secondary; unrounded 99.081 and 423.81 [plain arithmetic]).
    foot3 = in_m3("ft³")
    assert foot3 is not None
    cubic_feet_s = 4.3 * math.pi / 4 * (3.068 / 12) ** 2
    gallons = converted(exact(cubic_feet_s), "ft³", "gal")
    assert gallons is not None
    assert 60 * float(gallons) == pytest.approx(99.1, abs=0.1)
    assert 700 / float(gallons) == pytest.approx(423.9, abs=0.1)


def test_a_network_file_says_pulses_a_unit_or_volume_a_pulse() -> None:
    by_k = factor_of(replace(POINT, k_factor=450.0, volume_unit="gal"))
    by_pulse = factor_of(replace(POINT, volume_per_pulse=0.1, volume_unit="m³"))
    scaled = factor_of(replace(POINT, raw=(0.0, 1000.0), value=(0.0, 25.0), unit="m3"))
    assert [one and one.per_pulse for one in (by_k, by_pulse, scaled)] == [
        Fraction(1, 450),
        Fraction(1, 10),
        Fraction(1, 40),
    ]
    assert factor_of(POINT) is None


def test_a_factor_holds_from_its_date_on_and_two_units_make_no_volume() -> None:
    first, then = Factor(0, Fraction(1, 10), "m³"), Factor(HOUR, Fraction(1, 5), "m³")
    some = [counted(30), counted(30, HOUR)]
    found = volume(some, [first, then])
    assert found is not None
    assert found.amount == 3 + 6
    assert volume(some, [first, replace(then, unit="bbl")]) is None
    assert volume(some, [then]) is None  # nobody knows what the first hour's pulses stood for

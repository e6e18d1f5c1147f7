"""What people type of hardware, how it reads, and where it does not agree."""

import cmath
import math
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.life.bringing import (
    DueTask,
    fuses_as_fitted,
    needs_of,
    path_as_fitted,
    spares_of,
)
from tallymast.domain.life.differences import (
    battery_words,
    bearing_words,
    firmware_words,
    off_bearing,
)
from tallymast.domain.life.part_words import part_words
from tallymast.domain.life.parts import KINDS, read_entry


@dataclass
class Piece:
    kind: str
    name: str = ""
    detail: dict[str, Any] = field(default_factory=dict)
    place: str = ""
    serial: str = ""
    version: str = ""


YAGI = Piece("antenna", detail={"type": "yagi", "gain_dbi": 6.0, "height_m": 6.0, "bearing": 318.0})


def test_an_antenna_reads_as_people_say_it() -> None:
    assert part_words(YAGI) == "yagi 6\u00a0dBi, 6\u00a0m up, bearing 318° true"
    assert path_as_fitted([YAGI]) == [f"antenna as fitted ({part_words(YAGI)})"]


def test_fuses_are_told_with_what_they_protect() -> None:
    fuses = [
        Piece("fuse", detail={"rating_a": 3.0, "type": "blade"}, place="load"),
        Piece("fuse", detail={"rating_a": 10.0}, place="battery"),
    ]
    told = fuses_as_fitted(fuses)
    assert told == "fuses as fitted: 3\u00a0A blade (load), 10\u00a0A (battery)"
    assert fuses_as_fitted([YAGI]) == ""


def test_spares_are_counted_with_their_shelf() -> None:
    spares = [
        Piece("radio", place="shelf B", detail={"count": 2}),
        Piece("station", place="shelf A"),
    ]
    assert spares_of("radio", "spare radio", spares) == "spare radio: 2 in the store, shelf B"
    assert spares_of("battery", "spare battery", spares) == ""


def test_a_due_task_says_what_it_takes() -> None:
    (told,) = needs_of([DueTask("Calibrate level transmitter", 88, 100)])
    assert told.startswith("reference for the calibration")
    assert "due since 12 days" in told


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_with_nothing_noted_still_has_words(kind: str) -> None:
    assert part_words(Piece(kind)) == KINDS[kind].word


def test_what_was_typed_is_read_with_units_and_commas() -> None:
    typed = {"kind": "antenna", "gain_dbi": "6,5 dBi", "height_m": " 6 m", "bearing": "360"}
    entry, wrong = read_entry(typed, in_store=False)
    assert wrong == {}
    assert entry.detail == {"gain_dbi": 6.5, "height_m": 6.0, "bearing": 0.0}


@pytest.mark.parametrize(
    ("typed", "key", "part"),
    [
        ({"kind": "antenna", "height_m": "high"}, "height_m", "is not a number"),
        ({"kind": "antenna", "bearing": "375"}, "bearing", "outside 0 to 360"),
        ({"kind": "antenna", "gain_dbi": "nan"}, "gain_dbi", "outside"),
        ({"kind": "battery", "made": "3/4/21"}, "made", "write it as 2026-03-08"),
        ({"kind": "fuse", "count": "2.5"}, "count", "a whole number"),
        ({"kind": "lamp"}, "kind", "Choose what it is"),
    ],
)
def test_a_mistake_is_said_at_its_field(typed: dict[str, str], key: str, part: str) -> None:
    _, wrong = read_entry(typed, in_store=True)
    assert part in wrong[key]


@given(st.floats(0, 360), st.floats(0, 360))
def test_bearings_differ_by_the_smaller_angle(one: float, other: float) -> None:
    # A second form: the argument of the quotient of two unit vectors.
    turn = cmath.exp(1j * math.radians(one)) / cmath.exp(1j * math.radians(other))
    assert off_bearing(one, other) == pytest.approx(abs(math.degrees(cmath.phase(turn))), abs=1e-6)


def test_an_antenna_that_looks_elsewhere_is_said() -> None:
    assert bearing_words(350.0, 8.0, "Mast") == ""  # 18 degrees apart, over north
    assert "33° apart" in bearing_words(335.0, 8.0, "Mast")
    assert bearing_words(None, 8.0, "Mast") == ""


def test_firmware_and_battery_are_compared_only_where_both_are_known() -> None:
    assert "reports firmware R3.12, entered is R3.11" in firmware_words("R3.11", "R3.12")
    assert firmware_words("", "R3.12") == firmware_words("R3.11", None) == ""
    assert "2022-05-03" in battery_words("2024-05-03", date(2022, 5, 3))
    assert battery_words("2022-05-03", date(2022, 5, 3)) == battery_words(None, date(2022, 5, 3))

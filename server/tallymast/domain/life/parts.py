"""The kinds of hardware a register holds, what is noted of each, and how it reads in words.

What people typed is checked here, in their own words; where a part lies and since when is the
register's matter (storage/hardware.py).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Final, Protocol

from tallymast.domain.people import plain

NAME_LONGEST: Final = 80
NOTE_LONGEST: Final = 300
MOST_COUNT: Final = 999


class Fitted(Protocol):
    """A part as the register holds it."""

    @property
    def kind(self) -> str:
        """A key of ``KINDS``."""

    @property
    def name(self) -> str:
        """What it is."""

    @property
    def serial(self) -> str:
        """Its serial number, empty where none is noted."""

    @property
    def version(self) -> str:
        """Of its firmware."""

    @property
    def place(self) -> str:
        """Where it is."""

    @property
    def detail(self) -> Mapping[str, Any]:
        """What is noted by kind."""


@dataclass(frozen=True, slots=True)
class Field:
    """One thing that is noted of a part of some kind.

    Attributes:
        form: ``text``, ``number`` (from least to most, in the unit) or ``day``.

    """

    key: str
    label: str
    form: str = "text"
    unit: str = ""
    least: float = 0.0
    most: float = 1e6


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of hardware; ``place`` says what its place at a site means."""

    word: str
    fields: tuple[Field, ...] = ()
    has_version: bool = False
    place: str = "Place at the site"


# Ours: wide bounds that only keep out slips of the hand; the maker's sheet decides.
KINDS: Final[Mapping[str, Kind]] = {
    "station": Kind("Station", has_version=True),
    "radio": Kind("Radio", (Field("power_w", "Power", "number", "W", 0, 100),), has_version=True),
    "antenna": Kind(
        "Antenna",
        (
            Field("type", "Type, as yagi or omni"),
            Field("gain_dbi", "Gain", "number", "dBi", -10, 50),
            Field("height_m", "Height above ground", "number", "m", 0, 200),
            Field("bearing", "Bearing, true", "number", "°", 0, 360),
        ),
    ),
    "feedline": Kind(
        "Feedline (coax)",
        (
            Field("type", "Type of cable"),
            Field("length_m", "Length", "number", "m", 0, 300),
            Field("connectors", "Connectors, as N male both ends"),
        ),
    ),
    "arrester": Kind("Surge arrester", (Field("connectors", "Connectors"),)),
    "battery": Kind(
        "Battery",
        (
            Field("type", "Chemistry, as AGM"),
            Field("capacity_ah", "Capacity", "number", "Ah", 0.1, 5000),
            Field("made", "Made on", "day"),
            Field("fitted", "Fitted on", "day"),
        ),
    ),
    "panel": Kind("Solar panel", (Field("power_w", "Power", "number", "W", 0.1, 5000),)),
    "controller": Kind(
        "Charge controller", (Field("rating_a", "Rating", "number", "A", 0.1, 500),)
    ),
    "fuse": Kind(
        "Fuse",
        (
            Field("rating_a", "Rating", "number", "A", 0.01, 1000),
            Field("type", "Type, as blade or 5 × 20 mm"),
        ),
        place="What it protects, as load or battery",
    ),
    "transmitter": Kind(
        "Transmitter",
        (
            Field("range", "Range, as 0 to 6 m at 4 to 20 mA"),
            Field("tag", "Tag of its point"),
            Field("calibrated", "Calibrated on", "day"),
            Field("calibration_due", "Calibration due", "day"),
        ),
    ),
    "other": Kind("Other"),
}
OF_A_SITE: Final = tuple(KINDS)


@dataclass(frozen=True, slots=True)
class Entry:
    """A part as somebody typed it, checked."""

    kind: str
    name: str
    serial: str
    version: str
    place: str
    note: str
    detail: Mapping[str, Any]


def read_entry(typed: Mapping[str, str], *, in_store: bool) -> tuple[Entry, dict[str, str]]:
    """Return what was typed of a part, and what is wrong with it by field.

    Args:
        typed: fields ``kind``, ``name``, ``serial``, ``version``, ``place``, ``note`` and those
            of the kind; in the store ``count`` too. Absent ones are empty.
        in_store: whether it lies in the store, where several alike may be one entry.

    Returns:
        The entry, to be used only where no field is wrong; a sentence for each wrong field.

    """
    wrong: dict[str, str] = {}
    key = typed.get("kind", "").strip()
    kind = KINDS.get(key)
    if kind is None:
        wrong["kind"] = "Choose what it is."
        kind = KINDS["other"]
    fields = kind.fields
    if in_store:
        fields = (*fields, Field("count", "How many", "number", "", 1, MOST_COUNT))
    detail = {}
    for field in fields:
        value = _value(field, typed.get(field.key, ""), wrong)
        if value is not None:
            detail[field.key] = value
    if "count" in detail:
        detail["count"] = _whole(detail["count"], wrong)
    return (
        Entry(
            key if key in KINDS else "other",
            plain(typed.get("name", ""), NAME_LONGEST),
            plain(typed.get("serial", ""), NAME_LONGEST),
            plain(typed.get("version", ""), NAME_LONGEST) if kind.has_version else "",
            plain(typed.get("place", ""), NAME_LONGEST),
            plain(typed.get("note", ""), NOTE_LONGEST),
            detail,
        ),
        wrong,
    )


def _whole(count: Any, wrong: dict[str, str]) -> int:
    if count != int(count):
        wrong["count"] = "How many: a whole number."
    return int(count)


def _value(field: Field, typed: str, wrong: dict[str, str]) -> Any:
    """Return a field's value, None where nothing was typed or it is wrong."""
    text = plain(typed, NAME_LONGEST)
    if not text:
        return None
    if field.form == "number":
        return _number(field, text, wrong)
    if field.form == "day":
        return _day(field, text, wrong)
    return text


def _number(field: Field, text: str, wrong: dict[str, str]) -> float | None:
    span = f"{field.least:g} to {field.most:g}\u00a0{field.unit}".strip()
    try:
        value = float(text.replace(",", ".").removesuffix(field.unit or " ").strip())
    except ValueError:
        wrong[field.key] = f"{field.label}: {text} is not a number; {span} is meant."
        return None
    if not math.isfinite(value) or not field.least <= value <= field.most:
        wrong[field.key] = f"{field.label}: {text} lies outside {span}."
        return None
    return value % 360.0 if field.key == "bearing" else value


def _day(field: Field, text: str, wrong: dict[str, str]) -> str | None:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        wrong[field.key] = f"{field.label}: {text} is not a day; write it as 2026-03-08."
        return None

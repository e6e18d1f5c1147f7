"""Writes down with a signed proof what its points were called then, and reads it again.

A point may be renamed, rescaled or gone by the time a record is read; the record shows it as it
was.
"""

from collections.abc import Mapping
from typing import Any

from tallymast.domain.commissioning.steps import Meaning, meaning_from, meaning_of
from tallymast.domain.model import Order, Point, PointKind, Table, WordLayout


def told(point: Point) -> dict[str, Any]:
    """Return a point as it is written down."""
    return {
        "tag": point.tag,
        "name": point.name,
        "words": list(point.words) if point.words else None,
        "modulus": point.modulus,
        "read": meaning_of(point).as_json(),
    }


def point_then(written: Mapping[str, Any]) -> Point:
    """Return a point as it was written down, with what a record shows of it."""
    read = meaning_from(written["read"])
    assert read is not None
    words = written.get("words")
    return Point(
        written["tag"],
        written["name"],
        words=(words[0], words[1]) if words else None,
        modulus=written.get("modulus"),
        **_fields(read),
    )


def _fields(read: Meaning) -> dict[str, Any]:
    return {
        "kind": PointKind(read.kind),
        "table": Table(read.table),
        "register": read.register,
        "layout": WordLayout(read.layout),
        "bit": read.bit,
        "length": read.length,
        "word_order": Order(read.word_order),
        "byte_order": Order(read.byte_order),
        "raw": read.raw,
        "value": read.value,
        "unit": read.unit,
        "loop": read.loop,
    }

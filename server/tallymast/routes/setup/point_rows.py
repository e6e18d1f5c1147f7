"""Rows of points on the setup pages: where each is read and what its number means."""

from collections.abc import Sequence
from dataclasses import dataclass

from tallymast.domain.grammar.mistakes import plain
from tallymast.domain.grammar.reference import notation
from tallymast.domain.model import Point
from tallymast.domain.setup.point_fields import KINDS

_KINDS = {word: words.partition(":")[0] for word, words in KINDS}


@dataclass(frozen=True, slots=True)
class PointRow:
    """One point in a list.

    Attributes:
        wire: its register as on the wire, ``input 4``; with its bit where it is one of several.
        listed: the same in lists numbered from 1.
        means: how its raw number becomes a value.
        note: where it comes from, at a site.

    """

    tag: str
    name: str
    kind: str
    wire: str
    listed: str
    means: str
    note: str = ""


def point_rows(points: Sequence[Point], notes: dict[str, str] | None = None) -> list[PointRow]:
    """Return a row for each point; ``notes`` says of some, by tag, where they come from."""
    return [
        PointRow(
            point.tag,
            point.name,
            _KINDS[point.kind.value],
            wire_of(point),
            notation(point.table, point.register),
            _means(point),
            (notes or {}).get(point.tag, ""),
        )
        for point in points
    ]


def wire_of(point: Point) -> str:
    """Return a point's register as on the wire, ``input 4`` or ``input 0, bit 2``."""
    bit = "" if point.bit is None else f", bit {point.bit}"
    return f"{point.table} {point.register}{bit}"


def _means(point: Point) -> str:
    if point.words:
        return f"{point.words[0]}, {point.words[1]}"
    if point.raw is None or point.value is None:
        return f"{point.layout} {point.unit}".strip()
    raw, value = (f"{plain(low)} to {plain(high)}" for low, high in (point.raw, point.value))
    return f"{raw} is {value} {point.unit}".strip()

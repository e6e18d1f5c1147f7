"""A point as it is being checked, and how much its layout holds."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tallymast.domain.model import Point, PointKind, WordLayout

Wrong = tuple[str, str]  # the key, and the sentence to tell

CONTACTS = frozenset((PointKind.DISCRETE_INPUT, PointKind.DISCRETE_OUTPUT))
OUTPUTS = frozenset((PointKind.DISCRETE_OUTPUT, PointKind.PULSE_OUTPUT, PointKind.ANALOG_OUTPUT))
COUNTING = frozenset((PointKind.TOTALIZER, PointKind.COUNTER))
NUMBERS = frozenset(PointKind) - CONTACTS - {PointKind.REVISION}

LENGTHS: Mapping[WordLayout, int] = {
    WordLayout.UINT32: 2,
    WordLayout.INT32: 2,
    WordLayout.FLOAT32: 2,
    WordLayout.BCD32: 2,
    WordLayout.UINT64: 4,
    WordLayout.FLOAT64: 4,
    WordLayout.MOD10K: 2,
    WordLayout.TEXT: 2,
}
_SPANS: Mapping[WordLayout, tuple[int, int]] = {
    WordLayout.UINT16: (0, 2**16 - 1),
    WordLayout.INT16: (-(2**15), 2**15 - 1),
    WordLayout.UINT32: (0, 2**32 - 1),
    WordLayout.INT32: (-(2**31), 2**31 - 1),
    WordLayout.UINT64: (0, 2**64 - 1),
    WordLayout.BCD16: (0, 9_999),
    WordLayout.BCD32: (0, 99_999_999),
}


@dataclass(frozen=True, slots=True)
class Draft:
    """A point with its defaults, the keys a person wrote for it, and its station's limit."""

    point: Point
    body: Mapping[str, Any]
    max_words: int


def span_of(layout: WordLayout, length: int) -> tuple[int, int] | None:
    """Return the lowest and highest raw number a layout holds; None where it has no such ends."""
    if layout is WordLayout.MOD10K:
        return (0, 10_000**length - 1)
    return _SPANS.get(layout)


def registers(count: int) -> str:
    """Return a count of registers in words."""
    return "1 register" if count == 1 else f"{count} registers"

"""Turns the registers of many polls into one point's numbers at once.

The same rules as domain/modbus/layouts.py, on arrays; the tests hold the two together.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.model import LayoutPoint, Order, SiteLayout, WordLayout
from tallymast.domain.record.chunks import PollColumns

Numbers = NDArray[Any]  # bool, int64, uint64 or float64
Mask = NDArray[np.bool_]

# NAMUR NE 43 limits as used here, in the point's raw unit, microamps.
_LOOP_LOW: Final = 3600
_LOOP_HIGH: Final = 21000

_VIEWS: Final = {
    WordLayout.UINT16: (1, ">u2", np.int64),
    WordLayout.INT16: (1, ">i2", np.int64),
    WordLayout.UINT32: (2, ">u4", np.int64),
    WordLayout.INT32: (2, ">i4", np.int64),
    WordLayout.UINT64: (4, ">u8", np.uint64),
    WordLayout.FLOAT32: (2, ">f4", np.float64),
    WordLayout.FLOAT64: (4, ">f8", np.float64),
}


@dataclass(frozen=True, slots=True)
class PointColumn:
    """One point at many polls.

    Attributes:
        raw: the decoded numbers before scaling; text as objects.
        read: whether there is a number: the block was got and its words make one.
        good: read, finite, and no loop fault: the number is a value.

    """

    raw: Numbers
    read: Mask
    good: Mask


def registers_of(layout: SiteLayout, point: LayoutPoint) -> range:
    """Return which columns of ``PollColumns.words`` a point's value takes."""
    before = sum(block.words for block in layout.blocks[: point.block])
    if layout.blocks[point.block].table.holds_bits:
        first = before + point.offset // 16
        return range(first, first + 1)
    first = before + point.offset
    return range(first, first + max(1, word_count(point)))


def word_count(point: LayoutPoint) -> int:
    """Return the registers a point's value takes."""
    if point.layout in _VIEWS:
        return _VIEWS[point.layout][0]
    if point.layout in (WordLayout.TEXT, WordLayout.MOD10K):
        return point.length
    return 2 if point.layout is WordLayout.BCD32 else 1


def decode_column(columns: PollColumns, layout: SiteLayout, point: LayoutPoint) -> PointColumn:
    """Return a point's numbers at every poll.

    Args:
        columns: polls of this layout; at least ``registers_of`` the point are filled.
        layout: what the polls read.
        point: one of the layout's points.

    """
    got = columns.has(point.block)
    place = registers_of(layout, point)
    words = columns.words[:, place.start : place.stop]
    if layout.blocks[point.block].table.holds_bits:
        raw = (words[:, 0] >> (point.offset % 16) & 1).astype(np.bool_)
        return PointColumn(raw, got, got)
    raw, makes_one = _decode(_ordered(words, point), point)
    read = got & makes_one
    return PointColumn(raw, read, read & _is_value(raw, point))


def scale_column(raw: Numbers, point: LayoutPoint) -> NDArray[np.float64]:
    """Return engineering values: the straight line through the point's two pairs."""
    numbers = raw.astype(np.float64)
    if point.raw is None or point.value is None:
        return numbers
    (raw_low, raw_high), (low, high) = point.raw, point.value
    return low + (numbers - raw_low) * (high - low) / (raw_high - raw_low)


def _ordered(words: NDArray[np.uint16], point: LayoutPoint) -> NDArray[np.uint16]:
    """Return the words with the most significant first and each word's high byte high."""
    if point.byte_order is Order.LOW_FIRST:
        words = words.byteswap()
    if point.layout is WordLayout.TEXT:  # reads from register to register in either order
        return words
    return words[:, ::-1] if point.word_order is Order.LOW_FIRST else words


def _decode(words: NDArray[np.uint16], point: LayoutPoint) -> tuple[Numbers, Mask]:
    everywhere = np.ones(len(words), np.bool_)
    if point.layout in _VIEWS:
        _, view, kind = _VIEWS[point.layout]
        big = np.ascontiguousarray(words.astype(">u2"))
        with np.errstate(invalid="ignore"):  # a signalling NaN is a NaN
            return big.view(view).ravel().astype(kind), everywhere
    if point.layout is WordLayout.BOOL:
        bits = words[:, 0] if point.bit is None else words[:, 0] >> point.bit & 1
        return bits.astype(np.bool_), everywhere
    if point.layout is WordLayout.MOD10K:
        return _digits(words.astype(np.int64), 10_000)
    if point.layout is WordLayout.TEXT:
        return _texts(words), everywhere
    nibbles = np.stack([words >> shift & 0xF for shift in (12, 8, 4, 0)], axis=2)
    return _digits(nibbles.reshape(len(words), -1).astype(np.int64), 10)


def _digits(digits: NDArray[np.int64], base: int) -> tuple[Numbers, Mask]:
    number = np.zeros(len(digits), np.int64)
    for column in digits.T:
        number = number * base + column
    return number, np.asarray((digits < base).all(axis=1))


def _texts(words: NDArray[np.uint16]) -> Numbers:
    texts = np.empty(len(words), object)
    known: dict[bytes, str] = {}
    for row, text in enumerate(words.astype(">u2")):
        raw = text.tobytes()
        if raw not in known:
            known[raw] = raw.split(b"\0")[0].decode("ascii", "replace").rstrip()
        texts[row] = known[raw]
    return texts


def _is_value(raw: Numbers, point: LayoutPoint) -> Mask:
    if raw.dtype == object:
        return np.ones(len(raw), np.bool_)
    finite = np.isfinite(raw)
    if point.loop is not None:
        return np.asarray(finite & (raw > _LOOP_LOW) & (raw < _LOOP_HIGH))
    return np.asarray(finite)


def words_needed(layout: SiteLayout, points: Sequence[LayoutPoint]) -> frozenset[int]:
    """Return which columns of registers some points need, for ``chunks.unpack``."""
    return frozenset(place for point in points for place in registers_of(layout, point))

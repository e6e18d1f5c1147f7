"""Puts a station's values into registers and bits, the way its profile says.

Written apart from domain/modbus on purpose: what the poller decodes with one piece of code
was laid out by another. Works on whole columns of instants at once.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

from tallymast.domain.model import Order, Point, WordLayout
from tallymast.simulator.chance import Floats

Words = npt.NDArray[np.uint16]

_WHOLE = {
    WordLayout.UINT16: (1, 0, 2**16 - 1),
    WordLayout.INT16: (1, -(2**15), 2**15 - 1),
    WordLayout.UINT32: (2, 0, 2**32 - 1),
    WordLayout.INT32: (2, -(2**31), 2**31 - 1),
    WordLayout.UINT64: (4, 0, 2**62),  # a float cannot hold more, no counter of ours gets there
}


def raw_numbers(point: Point, values: Floats) -> Floats:
    """Return the raw numbers whose scaled values are ``values`` (the point's own unit)."""
    if point.raw is None or point.value is None:
        return values
    raw_low, raw_high = point.raw
    low, high = point.value
    return raw_low + (values - low) * ((raw_high - raw_low) / (high - low))


def words_of(point: Point, raw: Floats) -> Words:
    """Return a row of registers (or one bit) for each raw number.

    Whole layouts round and stop at the ends of their range, as a station's register does.

    Returns:
        (n, length) unsigned 16-bit words in address order; for a coil or discrete (n, 1) of 0
        and 1; for a bit in a register (n, 1) with only that bit set or clear.

    """
    if point.table.holds_bits:
        return _column(raw != 0)
    if point.bit is not None or point.layout is WordLayout.BOOL:
        return _column((raw != 0) * np.uint16(1 << (point.bit or 0)))
    return _in_order(point, _high_first(point, raw))


def _column(words: npt.NDArray[Any]) -> Words:
    return np.asarray(words, dtype=np.uint16).reshape(-1, 1)


def text_words(point: Point, text: str) -> Words:
    """Return the registers of a text, two characters each, padded with NUL: (1, length)."""
    body = text.encode("ascii", "replace")[: 2 * point.length].ljust(2 * point.length, b"\0")
    return _in_order(point, np.frombuffer(body, dtype=">u2").astype(np.uint16)[None, :])


def _in_order(point: Point, words: Words) -> Words:
    if point.word_order is Order.LOW_FIRST and point.layout is not WordLayout.TEXT:
        words = words[:, ::-1]
    if point.byte_order is Order.LOW_FIRST:
        words = words.byteswap()
    return np.ascontiguousarray(words)


def _high_first(point: Point, raw: Floats) -> Words:
    layout = point.layout
    if layout is WordLayout.FLOAT32:
        return _pieces(raw.astype(">f4"), 2)
    if layout is WordLayout.FLOAT64:
        return _pieces(raw.astype(">f8"), 4)
    if layout is WordLayout.MOD10K:
        return _digits(raw, point.length, 10_000)
    if layout in (WordLayout.BCD16, WordLayout.BCD32):
        count = 1 if layout is WordLayout.BCD16 else 2
        return _packed_decimal(raw, count)
    count, lowest, highest = _WHOLE[layout]
    whole = np.clip(np.rint(raw), lowest, highest).astype(np.int64)
    shifts = np.arange(16 * (count - 1), -1, -16)
    return ((whole[:, None] >> shifts) & 0xFFFF).astype(np.uint16)


def _pieces(numbers: npt.NDArray[Any], count: int) -> Words:
    """Cut big-endian numbers into ``count`` registers each, the high one first."""
    return np.asarray(numbers.view(">u2").reshape(-1, count), dtype=np.uint16)


def _digits(raw: Floats, count: int, base: int) -> Words:
    whole = np.clip(np.rint(raw), 0, float(base) ** count - 1).astype(np.int64)
    powers = np.array([base**n for n in range(count - 1, -1, -1)], dtype=np.int64)
    return (whole[:, None] // powers % base).astype(np.uint16)


def _packed_decimal(raw: Floats, count: int) -> Words:
    fours = _digits(raw, count, 10_000).astype(np.int64)
    packed = np.zeros_like(fours)
    for place in range(4):
        packed |= (fours // 10**place % 10) << (4 * place)
    return packed.astype(np.uint16)

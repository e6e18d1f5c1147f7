"""Reads a station's words by pymodbus's own decoder: what a value has to be, said by another.

Only packed decimals, counts in ten thousands and bits, which pymodbus does not know, are
written out here, by other means than in domain/modbus and domain/record.
"""

import math
from collections.abc import Sequence

from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.exceptions import ModbusException

from tallymast.domain.model import Order, Point, WordLayout

Value = bool | int | float | str | None

_TYPES = ModbusClientMixin.DATATYPE
_DECODED = {
    WordLayout.UINT16: _TYPES.UINT16,
    WordLayout.INT16: _TYPES.INT16,
    WordLayout.UINT32: _TYPES.UINT32,
    WordLayout.INT32: _TYPES.INT32,
    WordLayout.UINT64: _TYPES.UINT64,
    WordLayout.FLOAT32: _TYPES.FLOAT32,
    WordLayout.FLOAT64: _TYPES.FLOAT64,
    WordLayout.TEXT: _TYPES.STRING,
}
_LOOP_FAULTS = (3600, 21000)  # NAMUR NE 43, in microamps: at or beyond these a loop has failed


def raw_of(point: Point, words: Sequence[int]) -> Value:
    """Return a point's raw number, state or text.

    Args:
        point: how its words are to be understood.
        words: its registers in address order; for a coil or discrete one word, 0 or 1.

    Returns:
        None where the words make no value in the point's layout.

    """
    if point.table.holds_bits:
        return bool(words[0])
    if point.byte_order is Order.LOW_FIRST:
        words = [int.from_bytes(word.to_bytes(2, "little"), "big") for word in words]
    if point.bit is not None or point.layout is WordLayout.BOOL:
        return f"{words[0]:016b}"[15 - point.bit] == "1" if point.bit is not None else words[0] > 0
    if point.layout in _DECODED:
        return _by_pymodbus(point, words)
    if point.word_order is Order.LOW_FIRST:
        words = words[::-1]
    packed = point.layout is not WordLayout.MOD10K
    digits = "".join(f"{word:04x}" if packed else f"{word:04d}" for word in words)
    return int(digits) if digits.isdecimal() and len(digits) == 4 * len(words) else None


def _by_pymodbus(point: Point, words: Sequence[int]) -> Value:
    kind = _DECODED[point.layout]
    is_text = point.layout is WordLayout.TEXT
    order = "little" if point.word_order is Order.LOW_FIRST and not is_text else "big"
    try:
        found = ModbusClientMixin.convert_from_registers(list(words), kind, order)  # type: ignore[arg-type]
    except (ModbusException, UnicodeDecodeError):
        return None
    if isinstance(found, list):
        return None
    return found.split("\0")[0].rstrip() if isinstance(found, str) else found


def shown_of(point: Point, words: Sequence[int]) -> tuple[Value, Value]:
    """Return what the API has to say of a point's words: raw, and value in its own unit.

    A number that is none is said as neither; a failed loop has a raw number and no value.
    """
    raw = raw_of(point, words)
    if raw is None or isinstance(raw, bool | str):
        return raw, raw
    if not math.isfinite(raw):
        return None, None
    lowest, highest = _LOOP_FAULTS
    if point.loop is not None and not lowest < raw < highest:
        return raw, None
    if point.raw is None or point.value is None:
        return raw, raw
    slope = (point.value[1] - point.value[0]) / (point.raw[1] - point.raw[0])
    return raw, point.value[0] + (raw - point.raw[0]) * slope


def is_same(said: Value, expected: Value) -> bool:
    """Whether two values agree to twelve digits, texts and states exactly."""
    if isinstance(said, bool | str | None) or isinstance(expected, bool | str | None):
        return said == expected and type(said) is type(expected)
    return math.isclose(said, expected, rel_tol=1e-12, abs_tol=1e-12)

"""Turns the 16-bit words a site answers with into numbers, and back, and scales them.

Pure: the words are here already checked for CRC (frames.py); what a value means, and whether
it may be believed, is decided elsewhere (readings.py). Modbus fixes the byte order inside a
word and leaves all else to the maker of the station, so every order is the point's own.
"""

import struct
from collections.abc import Callable, Sequence
from enum import StrEnum
from typing import TypeAlias

from tallymast.domain.errors import DecodeError
from tallymast.domain.model import Order, WordLayout

Raw: TypeAlias = int | float | bool | str
Pair: TypeAlias = tuple[float, float]

_MOST_MOD10K = 9999

# MODBUS Application Protocol V1.1b3 §4.2 (high byte first); IEEE 754-2019 §3.4 for floats.
_FORMATS = {
    WordLayout.UINT16: (1, ">H"),
    WordLayout.INT16: (1, ">h"),
    WordLayout.UINT32: (2, ">I"),
    WordLayout.INT32: (2, ">i"),
    WordLayout.UINT64: (4, ">Q"),
    WordLayout.FLOAT32: (2, ">f"),
    WordLayout.FLOAT64: (4, ">d"),
}
_WORDS_OF_BCD = {WordLayout.BCD16: 1, WordLayout.BCD32: 2}


def registers_needed(layout: WordLayout, length: int = 2) -> int:
    """Return how many registers a value takes; ``length`` counts for text and mod10k only."""
    if layout in _FORMATS:
        return _FORMATS[layout][0]
    if layout in (WordLayout.TEXT, WordLayout.MOD10K):
        return length
    return _WORDS_OF_BCD.get(layout, 1)


def decode(
    words: Sequence[int],
    layout: WordLayout,
    length: int = 1,
    word_order: Order = Order.HIGH_FIRST,
    byte_order: Order = Order.HIGH_FIRST,
    bit: int | None = None,
) -> Raw:
    """Return the number, state or text that a point's registers hold.

    Args:
        words: the point's registers, each 0..65535, in address order; for a coil or discrete
            one word of 0 or 1.
        layout: how they make a value.
        length: registers of a text or mod10k value.
        word_order: which word of several is the high one; a text is always read forwards.
        byte_order: low-first where a station swaps the bytes inside each word.
        bit: read this bit of the one word, 0 the lowest, whatever the layout.

    Raises:
        DecodeError: another number of words, a word outside 0..65535, or words that are no
            value in this layout.

    """
    needed = 1 if bit is not None else registers_needed(layout, length)
    _check(words, layout, needed)
    if byte_order is Order.LOW_FIRST:
        words = [(word & 0xFF) << 8 | word >> 8 for word in words]
    if bit is not None:
        return decode_bit(words, bit)
    if word_order is Order.LOW_FIRST and layout is not WordLayout.TEXT:
        words = words[::-1]
    return _DECODERS[layout](words)


def decode_bit(words: Sequence[int], bit: int) -> bool:
    """Return one bit of a register; bit 0 is the lowest."""
    return bool(words[0] >> _checked_bit(bit) & 1)


def _checked_bit(bit: int) -> int:
    if not 0 <= bit <= 15:
        raise DecodeError(f"A register has bits 0 to 15, not {bit}.")
    return bit


def decode_bool(words: Sequence[int]) -> bool:
    """Return whether a coil, a discrete or a whole register is not 0."""
    return words[0] != 0


def decode_uint16(words: Sequence[int]) -> int:
    """Return an unsigned 16-bit number."""
    return int(_unpack(words, WordLayout.UINT16))


def decode_int16(words: Sequence[int]) -> int:
    """Return a signed 16-bit number (two's complement)."""
    return int(_unpack(words, WordLayout.INT16))


def decode_uint32(words: Sequence[int]) -> int:
    """Return an unsigned 32-bit number, the high word first."""
    return int(_unpack(words, WordLayout.UINT32))


def decode_int32(words: Sequence[int]) -> int:
    """Return a signed 32-bit number (two's complement), the high word first."""
    return int(_unpack(words, WordLayout.INT32))


def decode_uint64(words: Sequence[int]) -> int:
    """Return an unsigned 64-bit number, the highest word first."""
    return int(_unpack(words, WordLayout.UINT64))


def decode_float32(words: Sequence[int]) -> float:
    """Return an IEEE 754 binary32 value, high word first; NaN and infinity pass through."""
    return _unpack(words, WordLayout.FLOAT32)


def decode_float64(words: Sequence[int]) -> float:
    """Return an IEEE 754 binary64 value, high word first; NaN and infinity pass through."""
    return _unpack(words, WordLayout.FLOAT64)


def decode_bcd(words: Sequence[int]) -> int:
    """Return a packed decimal number: four digits a word, the high word first.

    Raises:
        DecodeError: a half byte above 9 is no digit.

    """
    digits = "".join(f"{word:04x}" for word in words)
    if not digits.isdecimal():
        raise DecodeError(f"A packed decimal number holds digits 0 to 9 only, not {digits}.")
    return int(digits)


def decode_mod10k(words: Sequence[int]) -> int:
    """Return a modulo-10000 number: each word holds four decimal digits, the high word first.

    Raises:
        DecodeError: a word above 9999.

    """
    number = 0
    for word in words:
        if word > _MOST_MOD10K:
            raise DecodeError(f"A modulo-10000 word is 0 to 9999, not {word}.")
        number = number * 10_000 + word
    return number


def decode_text(words: Sequence[int]) -> str:
    """Return ASCII text, two characters a word, up to the first NUL, without blanks behind.

    What is not ASCII shows as a replacement character.
    """
    body = struct.pack(f">{len(words)}H", *words)
    return body.split(b"\0")[0].decode("ascii", "replace").rstrip()


_DECODERS: dict[WordLayout, Callable[[Sequence[int]], Raw]] = {
    WordLayout.BOOL: decode_bool,
    WordLayout.UINT16: decode_uint16,
    WordLayout.INT16: decode_int16,
    WordLayout.UINT32: decode_uint32,
    WordLayout.INT32: decode_int32,
    WordLayout.UINT64: decode_uint64,
    WordLayout.FLOAT32: decode_float32,
    WordLayout.FLOAT64: decode_float64,
    WordLayout.BCD16: decode_bcd,
    WordLayout.BCD32: decode_bcd,
    WordLayout.MOD10K: decode_mod10k,
    WordLayout.TEXT: decode_text,
}


def encode(
    value: Raw,
    layout: WordLayout,
    length: int = 1,
    word_order: Order = Order.HIGH_FIRST,
    byte_order: Order = Order.HIGH_FIRST,
    bit: int | None = None,
) -> tuple[int, ...]:
    """Return the registers that hold a value: what ``decode`` reads as it again.

    Args:
        value: a raw number, state or text; a whole number for whole layouts.
        layout: how words make a value.
        length: registers of a text or mod10k value.
        word_order: which word of several is the high one.
        byte_order: low-first to swap the bytes inside each word.
        bit: put the state into this bit alone, the others 0.

    Raises:
        DecodeError: the layout cannot hold this value.

    """
    if bit is not None:
        words: tuple[int, ...] = (int(bool(value)) << _checked_bit(bit),)
    else:
        words = _encode(value, layout, registers_needed(layout, length))
        if word_order is Order.LOW_FIRST and layout is not WordLayout.TEXT:
            words = words[::-1]
    if byte_order is Order.LOW_FIRST:
        words = tuple((word & 0xFF) << 8 | word >> 8 for word in words)
    return words


def _encode(value: Raw, layout: WordLayout, needed: int) -> tuple[int, ...]:
    if layout is WordLayout.TEXT:
        return _encode_text(str(value), needed)
    if layout is WordLayout.BOOL:
        return (int(bool(value)),)
    if isinstance(value, str):
        raise DecodeError(f"A {layout} point holds a number, not the text {value!r}.")
    if layout in _FORMATS:
        return _pack(value, layout)
    digits = _decimal_words(_whole(value, layout), layout, needed)
    return digits if layout is WordLayout.MOD10K else tuple(int(str(word), 16) for word in digits)


def _decimal_words(number: int, layout: WordLayout, needed: int) -> tuple[int, ...]:
    if not 0 <= number < 10_000**needed:
        raise DecodeError(f"A {layout} point cannot hold {number}.")
    return tuple(number // 10_000**place % 10_000 for place in range(needed - 1, -1, -1))


def _whole(value: float, layout: WordLayout) -> int:
    if isinstance(value, float) and not value.is_integer():
        raise DecodeError(f"A {layout} point holds whole numbers, not {value}.")
    return int(value)


def _pack(value: float, layout: WordLayout) -> tuple[int, ...]:
    count, form = _FORMATS[layout]
    number = value if form in (">f", ">d") else _whole(value, layout)
    try:
        return struct.unpack(f">{count}H", struct.pack(form, number))
    except (struct.error, OverflowError) as error:
        raise DecodeError(f"A {layout} point cannot hold {value}.") from error


def _encode_text(text: str, needed: int) -> tuple[int, ...]:
    if not text.isascii() or len(text) > 2 * needed:
        raise DecodeError(f"{needed} registers hold {2 * needed} ASCII characters, not {text!r}.")
    return struct.unpack(f">{needed}H", text.encode("ascii").ljust(2 * needed, b"\0"))


def _unpack(words: Sequence[int], layout: WordLayout) -> float:
    count, form = _FORMATS[layout]
    number: float = struct.unpack(form, struct.pack(f">{count}H", *words))[0]
    return number


def _check(words: Sequence[int], layout: WordLayout, needed: int) -> None:
    if len(words) != needed:
        raise DecodeError(
            f"A {layout} point needs {needed} registers, the answer held {len(words)}."
        )
    for word in words:
        if not 0 <= word <= 0xFFFF:
            raise DecodeError(f"A register holds 0 to 65535, not {word}.")


def scale(raw: float, raw_pair: Pair | None, value_pair: Pair | None) -> float:
    """Return the engineering value: the straight line through (raw, value) pairs.

    Args:
        raw: the decoded number.
        raw_pair: two raw numbers, not equal.
        value_pair: what they mean, in the point's unit.

    Returns:
        The value in the point's unit; without pairs the raw number as it is.

    """
    if raw_pair is None or value_pair is None:
        return raw
    (raw_low, raw_high), (low, high) = raw_pair, value_pair
    return low + (raw - raw_low) * (high - low) / (raw_high - raw_low)


def unscale(value: float, raw_pair: Pair | None, value_pair: Pair | None) -> float:
    """Return the raw number that means a value; not rounded. The inverse of ``scale``.

    Raises:
        DecodeError: both ends of the scale mean the same value, so none has a raw number.

    """
    if raw_pair is None or value_pair is None:
        return value
    if value_pair[0] == value_pair[1]:
        raise DecodeError(f"The scale is flat: every raw number means {value_pair[0]}.")
    return scale(value, value_pair, raw_pair)


class LoopCondition(StrEnum):
    """What a 4-20 mA loop current says of the sensor and its wires."""

    OK = "ok"
    UNDER_RANGE = "under-range"
    OVER_RANGE = "over-range"
    UNDEFINED = "undefined"
    FAULT_LOW = "fault-low"
    FAULT_HIGH = "fault-high"

    @property
    def is_fault(self) -> bool:
        """Whether the sensor signals, or the loop shows, a failure."""
        return self in (LoopCondition.FAULT_LOW, LoopCondition.FAULT_HIGH)


def loop_condition(raw_microamps: float) -> LoopCondition:
    """Return what a loop current means [µA].

    3.8 to 20.5 mA is a measurement, up to 3.6 and from 21.0 mA a failure; between them nothing
    is agreed.

    Source: NAMUR NE 43 (secondary restatements).
    """
    if raw_microamps <= 3600:
        return LoopCondition.FAULT_LOW
    if raw_microamps >= 21_000:
        return LoopCondition.FAULT_HIGH
    if raw_microamps < 3800 or raw_microamps > 20_500:
        return LoopCondition.UNDEFINED
    if raw_microamps < 4000:
        return LoopCondition.UNDER_RANGE
    return LoopCondition.OVER_RANGE if raw_microamps > 20_000 else LoopCondition.OK

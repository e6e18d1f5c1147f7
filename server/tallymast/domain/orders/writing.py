"""Turns what is wanted into the request that writes it, and a read-back into what it shows.

Nothing is written that its registers cannot hold. Whether anybody may order it is in rules.py.
"""

import math
import struct
from collections.abc import Sequence

from tallymast.domain.errors import DecodeError
from tallymast.domain.grammar.drafts import span_of
from tallymast.domain.grammar.output_checks import written_length
from tallymast.domain.modbus.layouts import Raw, decode, encode, scale, unscale
from tallymast.domain.modbus.requests import ReadRequest, WriteRequest
from tallymast.domain.model import Point, PointKind, WordLayout, WriteTarget
from tallymast.domain.orders.model import OrderKind, Wanted

Words = bytes | Sequence[int]

_TINY = 1e-9  # of a count: 12.3 s are 123 counts of 0.1 s, although 12.3 / 0.1 is a little less
_SLACK_COUNTS = 1  # a station may count down at its own tick
_SLACK_SHARE = 0.02  # Ours: its clock may be this much faster than ours.
_FLOATS = (WordLayout.FLOAT32, WordLayout.FLOAT64)


def request_of(unit: int, point: Point, wanted: Wanted) -> WriteRequest:
    """Return the request that writes what is wanted, by the function the point names.

    On and off are 1 and 0, in a coil or in a whole register. An on-time is written as counts,
    never as more than was asked for; off ends a pulse: 0 counts. A set-point goes back through
    the scale to the nearest number its registers hold.

    Raises:
        ValueError: the point is not written, or its registers cannot hold this.

    Source: MODBUS Application Protocol V1.1b3 §6.5, 6.6, 6.11, 6.12; §4.2 for the byte order.

    """
    target = _target(point)
    if target.table.holds_bits:
        return WriteRequest(unit, target, (int(_is_on(wanted)),))
    return WriteRequest(unit, target, _registers(point, _raw(point, wanted)))


def read_of(unit: int, point: Point) -> ReadRequest:
    """Return the request that reads the very addresses an order to this output writes.

    Raises:
        ValueError: the point is not written anywhere.

    """
    target = _target(point)
    return ReadRequest(unit, target.table, target.register, written_length(point))


def shows(point: Point, words: Words) -> float:
    """Return what a read-back shows: 1 or 0, seconds still to run, or the set-point.

    Args:
        point: the output.
        words: what ``read_of`` brought: registers, or their bytes, high byte first.

    Raises:
        DecodeError: the words make no value.

    """
    raw = _raw_of(point, _numbers(words))
    if point.kind is PointKind.DISCRETE_OUTPUT:
        return float(raw != 0)
    if point.kind is PointKind.PULSE_OUTPUT:
        return raw * (point.seconds_per_count or 1.0)
    return scale(raw, point.raw, point.value)


def holds(point: Point, wanted: Wanted, words: Words, elapsed_s: float) -> bool:
    """Whether a read-back is what was ordered.

    A pulse counts down from the moment it is written: some of it has to be left, not more than
    was written, and not less than the time since then explains. A station that keeps the written
    number until the end fits as well. Nothing left proves nothing, as it may never have begun.

    Args:
        point: the output.
        wanted: what was ordered.
        words: what ``read_of`` brought.
        elapsed_s: from the write's first byte to the read-back's last [s].

    """
    try:
        read, written = _raw_of(point, _numbers(words)), _raw(point, wanted)
    except ValueError:
        return False
    if point.kind is PointKind.DISCRETE_OUTPUT:
        return (read != 0) == (written != 0)
    if wanted.kind is not OrderKind.PULSE:
        return read == written
    passed = max(elapsed_s, 0.0) * (1 + _SLACK_SHARE) / (point.seconds_per_count or 1.0)
    return 0 < read <= written and read >= written - passed - _SLACK_COUNTS


def pulse_s(point: Point, wanted: Wanted) -> float:
    """Return the on-time that will really be written [s]: whole counts.

    Raises:
        ValueError: it is no on-time this point can hold.

    """
    return _counts(point, wanted) * (point.seconds_per_count or 1.0)


def _target(point: Point) -> WriteTarget:
    if point.write is None:
        raise ValueError(f"{point.name} is not written anywhere.")
    return point.write


def _is_on(wanted: Wanted) -> bool:
    if wanted.kind not in (OrderKind.ON, OrderKind.OFF):
        raise ValueError(f"A coil is one bit and takes on or off, not a {wanted.kind}.")
    return wanted.kind is OrderKind.ON


def _raw(point: Point, wanted: Wanted) -> float:
    """Return the raw number to write."""
    if point.kind is PointKind.DISCRETE_OUTPUT:
        return int(_is_on(wanted))
    if point.kind is PointKind.PULSE_OUTPUT:
        return 0 if wanted.kind is OrderKind.OFF else _counts(point, wanted)
    if wanted.kind is not OrderKind.SETPOINT or point.kind is not PointKind.ANALOG_OUTPUT:
        raise ValueError(f"{point.name} is a {point.kind} and takes no {wanted.kind}.")
    return _set_point(point, wanted.want)


def _counts(point: Point, wanted: Wanted) -> int:
    seconds = wanted.duration_s
    if wanted.kind is not OrderKind.PULSE or seconds is None or not math.isfinite(seconds):
        raise ValueError(f"{point.name} takes an on-time in seconds.")
    if point.seconds_per_count is None:
        raise ValueError(f"How long one count of {point.name} lasts is not known.")
    counts = math.floor(seconds / point.seconds_per_count + _TINY)
    if counts < 1:
        raise ValueError(f"The shortest on-time of {point.name} is {point.seconds_per_count:g} s.")
    return counts


def _set_point(point: Point, want: float | None) -> float:
    if want is None or not math.isfinite(want):
        raise ValueError(f"{point.name} takes a number, and this is none.")
    raw = unscale(want, point.raw, point.value)
    if point.layout is WordLayout.FLOAT32:
        return _single(raw)
    if point.layout in _FLOATS:
        return raw
    return math.floor(raw + 0.5)


def _single(number: float) -> float:
    """Return the nearest number two registers hold (IEEE 754 binary32)."""
    try:
        single: float = struct.unpack(">f", struct.pack(">f", number))[0]
    except OverflowError as error:
        raise DecodeError(f"A float32 point cannot hold {number}.") from error
    return single


def _registers(point: Point, raw: float) -> tuple[int, ...]:
    if point.kind is PointKind.DISCRETE_OUTPUT:
        # A register of its own, all of it: the bit says only where the output is read.
        return encode(bool(raw), WordLayout.BOOL, byte_order=point.byte_order)
    if point.layout in (WordLayout.TEXT, WordLayout.BOOL):
        raise ValueError(f"{point.name} is read as {point.layout}; no number is written to it.")
    span = span_of(point.layout, point.length)
    if span is not None and not span[0] <= raw <= span[1]:
        raise DecodeError(f"A {point.layout} point holds {span[0]} to {span[1]}, not {raw:g}.")
    return encode(raw, point.layout, point.length, point.word_order, point.byte_order)


def _numbers(words: Words) -> tuple[int, ...]:
    if isinstance(words, bytes):
        if len(words) % 2:
            raise DecodeError(f"{len(words)} bytes came, half a word too many.")
        return struct.unpack(f">{len(words) // 2}H", words)
    return tuple(words)


def _raw_of(point: Point, words: tuple[int, ...]) -> float:
    if _target(point).table.holds_bits:
        if len(words) != 1:
            raise DecodeError(f"One bit was read, and {len(words)} words came.")
        return words[0] & 1
    if point.kind is PointKind.DISCRETE_OUTPUT:
        raw: Raw = decode(words, WordLayout.UINT16, byte_order=point.byte_order)
    else:
        raw = decode(words, point.layout, point.length, point.word_order, point.byte_order)
    if isinstance(raw, str):
        raise DecodeError(f"{point.name} is read as text.")
    return float(raw) if isinstance(raw, float) else int(raw)

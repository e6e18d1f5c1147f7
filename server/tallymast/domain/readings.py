"""Makes readings of the words a site last answered: value, time and how far to believe it.

Pure, and derived whenever somebody looks: nothing of it is stored. A value that cannot be
right (a broken loop, not a number, words that make none) is no value, never a zero.
"""

import math
import struct
from collections.abc import Mapping, Sequence
from typing import NamedTuple, TypeVar

from tallymast.domain.errors import DecodeError
from tallymast.domain.modbus.layouts import (
    LoopCondition,
    Raw,
    decode,
    loop_condition,
    registers_needed,
    scale,
)
from tallymast.domain.model import LayoutPoint, PollClass, Quality, Reading, SiteLayout

_Item = TypeVar("_Item")


class _Doubt(NamedTuple):
    quality: Quality
    reason: str


_NO_DOUBT = _Doubt(Quality.GOOD, "")
_LATE = "an answer came late, so the value may be older than its time says"


def readings(
    layout: SiteLayout,
    block_words: Sequence[bytes | None],
    block_ms: Sequence[int | None],
    suspect_blocks: int,
    now_ms: int,
    stale_after_ms: int | Mapping[PollClass, int],
) -> tuple[Reading, ...]:
    """Return one reading a point, in the layout's order.

    Args:
        layout: what the words were read by.
        block_words: each block's newest words, high byte first; None where none ever came.
        block_ms: when they came [UTC ms].
        suspect_blocks: bit n set: the time of block n's words is uncertain.
        now_ms: the time to judge age at [UTC ms].
        stale_after_ms: age from which a reading is stale [ms]; one for all, or one a poll class.

    Returns:
        Quality ``none`` has no value; ``stale`` and ``suspect`` keep it and say why. A value
        both stale and suspect is stale.

    """
    made = []
    for point in layout.points:
        words, at_ms = _of(block_words, point.block), _of(block_ms, point.block)
        if words is None or at_ms is None:
            made.append(Reading(point.tag, None, None, Quality.NONE, None, "not read yet"))
            continue
        poll = layout.blocks[point.block].poll
        limit = stale_after_ms if isinstance(stale_after_ms, int) else stale_after_ms[poll]
        is_suspect = bool(suspect_blocks >> point.block & 1)
        doubt = _doubt_of_time(now_ms - at_ms, limit, is_suspect)
        made.append(_reading(layout, point, words, at_ms, doubt))
    return tuple(made)


def decode_point(layout: SiteLayout, point: LayoutPoint, words: bytes) -> Raw:
    """Return a point's raw number, state or text from its block's words.

    Args:
        layout: the layout the point belongs to.
        point: which point.
        words: all words of its block, high byte first.

    Raises:
        DecodeError: the words are too few, or make no value in the point's layout.

    """
    if layout.blocks[point.block].table.holds_bits:
        place, bit = divmod(point.offset, 16)
        return bool(_registers(words, place, 1)[0] >> bit & 1)
    needed = 1 if point.bit is not None else registers_needed(point.layout, point.length)
    return decode(
        _registers(words, point.offset, needed),
        point.layout,
        point.length,
        point.word_order,
        point.byte_order,
        point.bit,
    )


def _of(items: Sequence[_Item | None], place: int) -> _Item | None:
    return items[place] if place < len(items) else None


def _registers(words: bytes, first: int, count: int) -> tuple[int, ...]:
    part = words[2 * first : 2 * (first + count)]
    if len(part) != 2 * count:
        raise DecodeError(f"The answer held {len(words) // 2} words, too few for this point.")
    return struct.unpack(f">{count}H", part)


def _reading(
    layout: SiteLayout, point: LayoutPoint, words: bytes, at_ms: int, doubt: _Doubt
) -> Reading:
    try:
        raw = decode_point(layout, point, words)
    except DecodeError as error:
        reason = f"the registers hold no value: {error}"
        return Reading(point.tag, None, None, Quality.NONE, at_ms, reason)
    if isinstance(raw, bool | str):
        return Reading(point.tag, raw, raw, *_joined(doubt, at_ms))
    if not math.isfinite(raw):
        reason = "the station reports no number"
        return Reading(point.tag, None, None, Quality.NONE, at_ms, reason)
    loop = _doubt_of_loop(point, raw)
    if loop.quality is Quality.NONE:
        return Reading(point.tag, None, raw, Quality.NONE, at_ms, loop.reason)
    value = scale(raw, point.raw, point.value)
    doubt = loop if doubt.quality is Quality.GOOD else doubt
    return Reading(point.tag, value, raw, *_joined(doubt, at_ms))


def _joined(doubt: _Doubt, at_ms: int) -> tuple[Quality, int, str]:
    return doubt.quality, at_ms, doubt.reason


def _doubt_of_time(age_ms: int, limit_ms: int, is_suspect: bool) -> _Doubt:
    if age_ms > limit_ms:
        return _Doubt(Quality.STALE, f"last read {_age(age_ms)} ago")
    return _Doubt(Quality.SUSPECT, _LATE) if is_suspect else _NO_DOUBT


def _doubt_of_loop(point: LayoutPoint, raw: float) -> _Doubt:
    """Judge a current loop by NAMUR NE 43; its raw number is in microamps."""
    if point.loop is None:
        return _NO_DOUBT
    current = f"loop {raw / 1000:.2f} mA"
    match loop_condition(raw):
        case LoopCondition.FAULT_LOW:
            return _Doubt(Quality.NONE, f"{current}, the sensor loop is open or failed")
        case LoopCondition.FAULT_HIGH:
            return _Doubt(Quality.NONE, f"{current}, the sensor loop is shorted or failed")
        case LoopCondition.UNDEFINED:
            return _Doubt(Quality.SUSPECT, f"{current}, outside what a sound sensor sends")
        case _:
            return _NO_DOUBT


def _age(age_ms: int) -> str:
    seconds = age_ms / 1000
    for word, length_s, up_to in (("s", 1, 90), ("min", 60, 90), ("h", 3600, 36)):
        if seconds < up_to * length_s:
            return f"{seconds / length_s:.0f} {word}"
    return f"{seconds / 86_400:.0f} days"

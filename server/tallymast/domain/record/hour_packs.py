"""Packs the hours of a site's points of one UTC day into one small exact body.

Format 1: the format byte; the number of entries; then an entry a point and layout: point,
layout and number of hours as varints, how its numbers are kept (0 whole, 1 any), the length
of what follows, and that, deflated. Whole numbers are kept relative to the hour's first
reading, which is kept as its step from the hour before, all zigzag and byte plane by byte
plane; any others as the eight bytes of a double.
"""

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.errors import DecodeError
from tallymast.domain.record.streams import read_varint, unzigzags, write_varint, zigzags

FORMAT: Final = 1
HOUR_MS: Final = 3_600_000
# Columns of an entry's rows.
HOUR, N, TOTAL, LEAST, MOST, FIRST, LAST, CHANGES, ON = range(9)
COLUMNS: Final = 9
_WHOLE, _ANY = 0, 1
_EXACT: Final = 2.0**53  # up to here a double holds every whole number
_RELATIVE: Final = (LEAST, MOST, LAST)

Rows = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class HourRows:
    """A point's hours under one layout, ascending.

    Attributes:
        point_id: whose.
        layout_id: how its raw numbers are read.
        rows: k x 9, columns HOUR (its beginning, UTC milliseconds), N, TOTAL, …, ON.

    """

    point_id: int
    layout_id: int
    rows: Rows


def pack_hours(entries: Sequence[HourRows], day_ms: int) -> bytes:
    """Return the body that holds some points' hours of the UTC day that begins at ``day_ms``."""
    parts = [bytes([FORMAT]), write_varint(len(entries))]
    for entry in entries:
        kind, body = _packed(entry.rows, day_ms)
        numbers = (entry.point_id, entry.layout_id, len(entry.rows), kind, len(body))
        parts += [*(write_varint(number) for number in numbers), body]
    return b"".join(parts)


def unpack_hours(body: bytes, day_ms: int, point_id: int | None = None) -> list[HourRows]:
    """Return what a body holds: of one point, or (None) of all.

    Raises:
        DecodeError: written by a newer version, or damaged.

    """
    if not body or body[0] != FORMAT:
        raise DecodeError("A stored day of hours is in a format this version cannot read.")
    count, at = read_varint(body, 1)
    found = []
    for _ in range(count):
        point, at = read_varint(body, at)
        layout, at = read_varint(body, at)
        n, at = read_varint(body, at)
        kind, at = read_varint(body, at)
        length, at = read_varint(body, at)
        if point_id is None or point == point_id:
            rows = _unpacked(body[at : at + length], kind, n, day_ms)
            found.append(HourRows(point, layout, rows))
        at += length
    return found


def _packed(rows: Rows, day_ms: int) -> tuple[int, bytes]:
    rows = rows.copy()
    rows[:, HOUR] = (rows[:, HOUR] - day_ms) / HOUR_MS
    if _are_whole(rows):
        return _WHOLE, _deflated(zigzags(_relative(rows.astype(np.int64)).T.ravel()))
    return _ANY, _deflated(np.ascontiguousarray(rows.T).ravel().view(np.uint64))


def _are_whole(rows: Rows) -> bool:
    """Whether all of it, and what is made of it, is exact in 64-bit integers."""
    with np.errstate(over="ignore"):  # what overflows is far from whole
        spread = rows[:, N] * np.abs(rows[:, FIRST])
    return bool(
        np.isfinite(rows).all()
        and (np.abs(rows) < _EXACT).all()
        and (rows == np.rint(rows)).all()
        and not (np.signbit(rows) & (rows == 0)).any()  # there is no whole minus nothing
        and (spread < _EXACT).all()
    )


def _relative(rows: NDArray[np.int64]) -> NDArray[np.int64]:
    made = rows.copy()
    made[:, TOTAL] -= rows[:, N] * rows[:, FIRST]
    for column in _RELATIVE:
        made[:, column] -= rows[:, FIRST]
    made[1:, FIRST] = np.diff(rows[:, FIRST])
    made[1:, HOUR] = np.diff(rows[:, HOUR])
    return made


def _absolute(made: NDArray[np.int64]) -> NDArray[np.int64]:
    rows = made.copy()
    rows[:, HOUR] = np.cumsum(made[:, HOUR])
    rows[:, FIRST] = np.cumsum(made[:, FIRST])
    for column in _RELATIVE:
        rows[:, column] += rows[:, FIRST]
    rows[:, TOTAL] += rows[:, N] * rows[:, FIRST]
    return rows


def _unpacked(packed: bytes, kind: int, n: int, day_ms: int) -> Rows:
    numbers = _inflated(packed, n * COLUMNS)
    if kind == _WHOLE:
        rows = _absolute(unzigzags(numbers).reshape(COLUMNS, n).T).astype(np.float64)
    elif kind == _ANY:
        rows = numbers.view(np.float64).reshape(COLUMNS, n).T.copy()
    else:
        raise DecodeError("A stored day of hours is kept in a way this version cannot read.")
    rows[:, HOUR] = rows[:, HOUR] * HOUR_MS + day_ms
    return rows


def _deflated(numbers: NDArray[np.uint64]) -> bytes:
    width = max(1, (int(numbers.max()).bit_length() + 7) // 8)
    planes = numbers.astype("<u8").view(np.uint8).reshape(-1, 8)[:, :width].T.tobytes()
    machine = zlib.compressobj(9, zlib.DEFLATED, -15, 9)
    return machine.compress(planes) + machine.flush()


def _inflated(packed: bytes, n: int) -> NDArray[np.uint64]:
    try:
        planes = zlib.decompress(packed, -15)
    except zlib.error as error:
        raise DecodeError("A stored day of hours is damaged: its bytes do not fit.") from error
    width, odd = divmod(len(planes), n) if n else (0, 1)
    if odd or not 1 <= width <= 8:
        raise DecodeError(f"A stored day of hours is damaged: {len(planes)} bytes for {n} values.")
    whole = np.zeros((n, 8), np.uint8)
    whole[:, :width] = np.frombuffer(planes, np.uint8).reshape(width, n).T
    return whole.view("<u8").ravel().astype(np.uint64)

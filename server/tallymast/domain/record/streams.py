"""Makes one column of integers small: constant, plain, differences or ticks, then deflate.

A stream says how it was made, so a reader needs nothing else. Numbers before the compressed
bytes are varints, seven bits a byte, lowest first; signed ones zigzag, so small ones stay
small (0, -1, 1, -2 … become 0, 1, 2, 3 …).
"""

import zlib
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.errors import DecodeError

Ints = NDArray[np.int64]

_CONSTANT: Final = 0
_PLAIN: Final = 1  # distances from the least value
_STEPS: Final = 2  # differences, from the one in the middle
_WORD_STEPS: Final = 3  # the same modulo 2^16: a register that wraps makes a small step
_TICKS: Final = 4  # whole ticks of a clock, and how far off: two streams
_WIDTHS: Final = (1, 2, 4, 8)
# Ours, measured: noise wants run lengths and Huffman only, repeated patterns want matches.
_STRATEGIES: Final = (zlib.Z_RLE, zlib.Z_DEFAULT_STRATEGY)


def write_varint(number: int) -> bytes:
    """Return an unsigned number in as few bytes as it takes."""
    out = bytearray()
    while number > 0x7F:
        out.append(number & 0x7F | 0x80)
        number >>= 7
    out.append(number)
    return bytes(out)


def read_varint(body: bytes, at: int) -> tuple[int, int]:
    """Return the number at ``at``, and where the next thing begins.

    Raises:
        DecodeError: the bytes end before the number does.

    """
    number = shift = 0
    while True:
        if at >= len(body):
            raise DecodeError("A stored hour ends in the middle of a number.")
        byte = body[at]
        number |= (byte & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if byte < 0x80:
            return number, at


def write_stream(values: Ints, *, words: bool = False, clock: bool = False) -> bytes:
    """Return the smallest stream we know for a column.

    Args:
        values: any 64-bit integers whose differences fit 64 bits.
        words: they are registers, 0..65535.
        clock: they climb about as regularly as a clock.

    """
    if not len(values) or (values == values[0]).all():
        first = int(values[0]) if len(values) else 0
        return bytes([_CONSTANT]) + write_varint(_zigzag(first))
    ways = [_plain(values), _steps(values, words)]
    if clock:
        ways += _ticks(values)
    return min(ways, key=len)


def read_stream(body: bytes, at: int, n: int) -> tuple[Ints, int]:
    """Return the column of ``n`` integers at ``at``, and where the next one begins.

    Raises:
        DecodeError: these bytes are no stream of ours.

    """
    kind, base, step, at = _read_head(body, at)
    if kind == _CONSTANT:
        return np.full(n, base, np.int64), at
    if kind == _TICKS:
        ticks, at = read_stream(body, at, n)
        off, at = read_stream(body, at, n)
        return base + ticks * step + off, at
    length, at = read_varint(body, at)
    numbers = _inflate(body[at : at + length], n if kind == _PLAIN else n - 1)
    at += length
    if kind == _PLAIN:
        return (numbers + np.uint64(base % 2**64)).view(np.int64), at
    values = np.empty(n, np.int64)
    values[0] = base
    np.cumsum(unzigzags(numbers) + step, out=values[1:])
    values[1:] += base
    return (values & 0xFFFF if kind == _WORD_STEPS else values), at


def skip_stream(body: bytes, at: int) -> int:
    """Return where the stream after the one at ``at`` begins."""
    kind, _, _, at = _read_head(body, at)
    if kind == _CONSTANT:
        return at
    if kind == _TICKS:
        return skip_stream(body, skip_stream(body, at))
    length, at = read_varint(body, at)
    return at + length


def _read_head(body: bytes, at: int) -> tuple[int, int, int, int]:
    kind = body[at] if at < len(body) else -1
    if kind not in (_CONSTANT, _PLAIN, _STEPS, _WORD_STEPS, _TICKS):
        raise DecodeError("A stored hour holds a column written in a way this version cannot read.")
    base, at = read_varint(body, at + 1)
    step = 0
    if kind in (_STEPS, _WORD_STEPS, _TICKS):
        step, at = read_varint(body, at)
    return kind, _unzigzag(base), _unzigzag(step), at


def _plain(values: Ints) -> bytes:
    base = int(values.min())
    distances = (values - base).view(np.uint64)  # wraps, and back again when read
    return bytes([_PLAIN]) + write_varint(_zigzag(base)) + _deflated(distances)


def _steps(values: Ints, words: bool) -> bytes:
    steps = np.diff(values)
    if words:
        steps = ((steps + 0x8000) & 0xFFFF) - 0x8000
    middle = _middle(steps)
    kind = _WORD_STEPS if words else _STEPS
    head = bytes([kind]) + write_varint(_zigzag(int(values[0]))) + write_varint(_zigzag(middle))
    return head + _deflated(zigzags(steps - middle))


def _ticks(values: Ints) -> list[bytes]:
    """Return the column as ticks, where its usual step is one of a clock."""
    tick = _middle(np.diff(values))
    if tick < 2:
        return []
    base = int(values[0])
    ticks = (values - base + tick // 2) // tick
    off = values - base - ticks * tick
    head = bytes([_TICKS]) + write_varint(_zigzag(base)) + write_varint(_zigzag(tick))
    return [head + write_stream(ticks) + write_stream(off)]


def _middle(steps: Ints) -> int:
    half = len(steps) // 2
    return int(np.partition(steps, half)[half])


def _deflated(numbers: NDArray[np.uint64]) -> bytes:
    """Compress byte plane by byte plane: the high bytes of small numbers are one long run."""
    top = int(numbers.max())
    width = next(width for width in _WIDTHS if top < 1 << 8 * width)
    planes = numbers.astype(f"<u{width}").view(np.uint8).reshape(-1, width).T.tobytes()
    packed = min((_deflate(planes, strategy) for strategy in _STRATEGIES), key=len)
    return write_varint(len(packed)) + packed


def _deflate(planes: bytes, strategy: int) -> bytes:
    machine = zlib.compressobj(9, zlib.DEFLATED, -15, 9, strategy)
    return machine.compress(planes) + machine.flush()


def _inflate(packed: bytes, n: int) -> NDArray[np.uint64]:
    try:
        planes = zlib.decompress(packed, -15)
    except zlib.error as error:
        raise DecodeError("A stored hour is damaged: its compressed bytes do not fit.") from error
    width, odd = divmod(len(planes), n) if n else (0, 1)
    if odd or width not in _WIDTHS:
        raise DecodeError(f"A stored hour is damaged: {len(planes)} bytes for {n} values.")
    columns = np.frombuffer(planes, np.uint8).reshape(width, n).T
    return np.ascontiguousarray(columns).view(f"<u{width}").ravel().astype(np.uint64)


def _zigzag(number: int) -> int:
    return number << 1 if number >= 0 else (-number << 1) - 1


def _unzigzag(number: int) -> int:
    return number >> 1 if not number & 1 else -((number + 1) >> 1)


def zigzags(numbers: Ints) -> NDArray[np.uint64]:
    """Return signed numbers as unsigned ones, small where they are near 0."""
    return ((numbers << 1) ^ (numbers >> 63)).view(np.uint64)


def unzigzags(numbers: NDArray[np.uint64]) -> Ints:
    """Return the signed numbers ``zigzags`` was given."""
    half = (numbers >> np.uint64(1)).view(np.int64)
    return half ^ -(numbers & np.uint64(1)).view(np.int64)

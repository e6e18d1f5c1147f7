"""Wraps a Modbus PDU for the wire and finds the one answer in the bytes that came back.

Pure: bytes in, bytes out. Over TCP the silence between RTU frames cannot be seen, so an
answer is known by what its request determines (unit, function, byte count or echoed fields)
and by its CRC, wherever in the buffer it lies. What the PDU says is requests.py's matter.
"""

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from tallymast.domain.errors import DecodeError

EXCEPTION = 0x80  # set in the function code of an exception answer
_EXCEPTION_LENGTH = 5  # unit, function, code, CRC
_SHORTEST_RTU, _LONGEST_RTU = 4, 256


def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
        table.append(crc)
    return tuple(table)


_CRC_TABLE = _crc_table()


def crc16(data: bytes) -> int:
    """Return the CRC-16 of a Modbus RTU frame without its last two bytes.

    On the wire its low byte goes first; over a whole good frame it is 0.

    Source: MODBUS over Serial Line V1.02 §6.2.2 (polynomial A001h reflected, start FFFFh).
    """
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc


def rtu_frame(unit: int, pdu: bytes) -> bytes:
    """Return unit address, PDU and CRC as they go on the line."""
    body = bytes((unit,)) + pdu
    return body + crc16(body).to_bytes(2, "little")


def rtu_unframe(adu: bytes) -> tuple[int, bytes]:
    """Return the unit address and PDU of one whole RTU frame.

    Raises:
        DecodeError: shorter or longer than a frame can be, or the CRC does not hold.

    """
    if not _SHORTEST_RTU <= len(adu) <= _LONGEST_RTU:
        raise DecodeError(f"An RTU frame has 4 to 256 bytes, this one has {len(adu)}.")
    if crc16(adu):
        raise DecodeError(f"The checksum of a frame of {len(adu)} bytes does not hold.")
    return adu[0], adu[1:-2]


class TcpHeader(NamedTuple):
    """The header of a Modbus/TCP frame; ``length`` counts the unit byte and the PDU."""

    transaction: int
    length: int
    unit: int


def tcp_frame(transaction: int, unit: int, pdu: bytes) -> bytes:
    """Return a Modbus/TCP frame: transaction 0..65535, protocol 0, length, unit, PDU.

    Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b §3.1.3.
    """
    length = len(pdu) + 1
    return (
        transaction.to_bytes(2, "big") + bytes(2) + length.to_bytes(2, "big") + bytes((unit,)) + pdu
    )


def tcp_header(head: bytes) -> TcpHeader:
    """Return what the first 7 bytes of a Modbus/TCP frame say; the PDU has ``length - 1`` bytes.

    Raises:
        DecodeError: fewer than 7 bytes, another protocol, or a length no PDU can have.

    """
    if len(head) < 7:
        raise DecodeError(f"A Modbus/TCP header has 7 bytes, only {len(head)} came.")
    protocol, length = int.from_bytes(head[2:4], "big"), int.from_bytes(head[4:6], "big")
    if protocol != 0:
        raise DecodeError(f"Modbus/TCP is protocol 0, the other side spoke protocol {protocol}.")
    if not 2 <= length <= 254:
        raise DecodeError(f"A Modbus/TCP frame announces 2 to 254 bytes, this one {length}.")
    return TcpHeader(int.from_bytes(head[:2], "big"), length, head[6])


@dataclass(frozen=True, slots=True)
class Expected:
    """What the only good answer to one request looks like on an RTU line.

    Attributes:
        head: its first bytes, all known beforehand: unit, function, byte count or echoed fields.
        length: its bytes, CRC included.
        request: our own frame, to know its echo by.

    """

    head: bytes
    length: int
    request: bytes

    @property
    def exception_head(self) -> bytes:
        """The first bytes of an exception answer to this request."""
        return bytes((self.head[0], self.head[1] | EXCEPTION))

    @property
    def echo_is_answer(self) -> bool:
        """Whether a good answer is the request byte for byte (functions 05 and 06)."""
        return self.request[: self.length - 2] == self.head


class Match(NamedTuple):
    """One frame that may be the answer: ``buffer[start:end]`` holds it, CRC included."""

    start: int
    end: int
    pdu: bytes

    @property
    def is_exception(self) -> bool:
        """Whether it is an exception answer."""
        return bool(self.pdu[0] & EXCEPTION)


@dataclass(frozen=True, slots=True)
class Found:
    """What a buffer holds of an answer.

    Attributes:
        matches: the frames that fit the request, in order, none inside another.
        keep_from: bytes before this offset can take no part in a later answer; equal to the
            buffer's length when nothing in it may still become a frame.
        may_grow: bytes from ``keep_from`` on are the beginning of an answer.
        noise: bytes before ``keep_from`` that are neither in a match nor an echo.
        echoes: times our own request came back and was not taken for an answer.

    """

    matches: tuple[Match, ...]
    keep_from: int
    may_grow: bool
    noise: int
    echoes: int

    @property
    def answer(self) -> Match | None:
        """The one match; None when there is none or more than one."""
        return self.matches[0] if len(self.matches) == 1 else None

    @property
    def is_ambiguous(self) -> bool:
        """Whether more than one frame fits: then none may be trusted."""
        return len(self.matches) > 1


def find_answer(buffer: bytes, expected: Expected, *, local_echo: bool = False) -> Found:
    """Find the answer to one request among everything received since it was sent.

    Every offset is tried, so noise before, between and after costs nothing but itself. A match
    that lies inside a longer one is that one's data; a match behind the beginning of a longer
    frame that may still be completed is held back until that is decided. Time is linear in the
    buffer (each offset costs at most one checksum over a frame).

    Args:
        buffer: received bytes, oldest first; may be cut to ``keep_from`` between calls.
        expected: what the request determines.
        local_echo: our own bytes come back before the answer, as on some two-wire converters.
            Then only what follows them counts. Without it a frame equal to the request is an
            echo, not an answer, except for functions 05 and 06, where the two are one.

    """
    if not local_echo and _is_just(buffer, expected):
        whole_frame = Match(0, len(buffer), buffer[1:-2])
        return Found((whole_frame,), len(buffer), may_grow=False, noise=0, echoes=0)
    echoes = _places(buffer, expected.request)
    begin = 0
    if local_echo:
        if not echoes:
            return _without_echo(buffer, expected.request)
        echoes = echoes[:1]
        begin = echoes[0] + len(expected.request)
    elif expected.echo_is_answer:
        echoes = []
    own = set(echoes)
    whole = [span for span in _frames(buffer, expected, begin) if span[0] not in own]
    partial = _beginnings(buffer, expected, begin)
    matches = _settle(whole, partial)
    grown = [start for start in partial if not matches or start >= matches[-1][1]]
    spans = [*matches, *((start, start + len(expected.request)) for start in echoes)]
    keep_from = min(grown, default=len(buffer))
    return Found(
        matches=tuple(Match(start, end, buffer[start + 1 : end - 2]) for start, end in matches),
        keep_from=echoes[0] if local_echo and not matches else keep_from,
        may_grow=bool(grown),
        noise=keep_from - _covered(spans, keep_from),
        echoes=0 if local_echo else len(echoes),
    )


def _is_just(buffer: bytes, expected: Expected) -> bool:
    """Whether a buffer is the good answer and nothing else, as nearly always."""
    return (
        len(buffer) == expected.length
        and buffer.startswith(expected.head)
        and (expected.echo_is_answer or buffer != expected.request)
        and not crc16(buffer)
    )


def _without_echo(buffer: bytes, request: bytes) -> Found:
    keep_from = min(_cut_off(buffer, request, 0), default=len(buffer))
    return Found((), keep_from, keep_from < len(buffer), keep_from, 0)


def _places(buffer: bytes, head: bytes, begin: int = 0) -> list[int]:
    places = []
    at = buffer.find(head, begin)
    while at >= 0:
        places.append(at)
        at = buffer.find(head, at + 1)
    return places


def _kinds(expected: Expected) -> tuple[tuple[bytes, int], tuple[bytes, int]]:
    return (expected.head, expected.length), (expected.exception_head, _EXCEPTION_LENGTH)


def _frames(buffer: bytes, expected: Expected, begin: int) -> list[tuple[int, int]]:
    """Return the spans of all whole frames that fit and whose CRC holds, in order."""
    return sorted(
        (start, start + length)
        for head, length in _kinds(expected)
        for start in _places(buffer, head, begin)
        if start + length <= len(buffer) and not crc16(buffer[start : start + length])
    )


def _beginnings(buffer: bytes, expected: Expected, begin: int) -> list[int]:
    """Return where something begins that is an answer as far as it goes."""
    starts: list[int] = []
    for head, length in _kinds(expected):
        near = max(begin, len(buffer) - length + 1)
        starts += _places(buffer, head, near)
        starts += _cut_off(buffer, head, near)
    return sorted(starts)


def _cut_off(buffer: bytes, head: bytes, begin: int) -> Iterator[int]:
    """Yield where the buffer's end may be the first part of ``head``."""
    for start in range(max(begin, len(buffer) - len(head) + 1), len(buffer)):
        if head.startswith(buffer[start:]):
            yield start


def _settle(whole: list[tuple[int, int]], partial: list[int]) -> list[tuple[int, int]]:
    """Leave out frames inside an earlier one, and those behind an unfinished beginning."""
    matches: list[tuple[int, int]] = []
    reach = 0  # the end of the last match: a beginning inside it is its data
    for start, end in whole:
        open_at = bisect_left(partial, reach)
        held_back = open_at < len(partial) and partial[open_at] < start
        if end > reach and not held_back:
            matches.append((start, end))
            reach = end
    return matches


def _covered(spans: list[tuple[int, int]], limit: int) -> int:
    covered = reach = 0
    for start, end in sorted(spans):
        covered += max(0, min(end, limit) - max(start, reach))
        reach = max(reach, min(end, limit))
    return covered


def stray_answers(received: bytes) -> list[tuple[int, int, int]]:
    """Return unit, function and byte count of every whole answer to a read, whoever asked.

    Where nobody here has asked for such an answer, somebody else polls through the same gateway.
    """
    found, at = [], 0
    while at + _SHORTEST_RTU < len(received):
        unit, function, count = received[at], received[at + 1], received[at + 2]
        end = at + 5 + count
        is_read = 1 <= unit <= 247 and 1 <= function <= 4 and count > 0 and end <= len(received)
        if is_read and not crc16(received[at:end]):
            found.append((unit, function, count))
            at = end
        else:
            at += 1
    return found

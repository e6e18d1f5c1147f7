"""Builds the requests we send and reads the answers that frames.py has found.

A request knows what its answer must look like, and which other requests' answers look the
same (its shape): on an RTU line nothing else tells an answer from a late one.
"""

import struct
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple, TypeAlias

from tallymast.domain.errors import DecodeError
from tallymast.domain.modbus.frames import EXCEPTION, Expected, rtu_frame
from tallymast.domain.model import Table, WriteTarget

# MODBUS Application Protocol V1.1b3 §6.1 to 6.4, 6.11 and 6.12: what one request may hold.
MAX_READ_BITS, MAX_READ_REGISTERS = 2000, 125
MAX_WRITE_BITS, MAX_WRITE_REGISTERS = 1968, 123

_READS = {Table.COIL: 1, Table.DISCRETE: 2, Table.HOLDING: 3, Table.INPUT: 4}
_WRITES = {5: Table.COIL, 15: Table.COIL, 6: Table.HOLDING, 16: Table.HOLDING}
_MOST = {5: 1, 6: 1, 15: MAX_WRITE_BITS, 16: MAX_WRITE_REGISTERS}

Shape: TypeAlias = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ReadRequest:
    """Read ``count`` addresses of a table, the first at ``start`` (zero-based).

    Raises:
        ValueError: a unit, address or count that no request can hold.

    """

    unit: int
    table: Table
    start: int
    count: int

    def __post_init__(self) -> None:
        most = MAX_READ_BITS if self.table.holds_bits else MAX_READ_REGISTERS
        _check(self.unit, self.start, self.count, most)

    @property
    def function(self) -> int:
        """The Modbus function code."""
        return _READS[self.table]

    @property
    def byte_count(self) -> int:
        """Bytes of values in the answer."""
        return (self.count + 7) // 8 if self.table.holds_bits else 2 * self.count

    @property
    def shape(self) -> Shape:
        """What answers to this cannot be told apart by: unit, function, byte count."""
        return (self.unit, self.function, self.byte_count)

    @property
    def identity(self) -> tuple[int, int]:
        """What was asked and is not in the answer: start and count."""
        return (self.start, self.count)

    @property
    def answer_length(self) -> int:
        """Bytes of the good answer's RTU frame."""
        return 5 + self.byte_count

    def pdu(self) -> bytes:
        """Return function, start and count. Source: Application Protocol V1.1b3 §6.1 to 6.4."""
        return bytes((self.function,)) + _two(self.start) + _two(self.count)

    def expected(self) -> Expected:
        """Return what the answer must look like."""
        return _expected_of_read(self)


@lru_cache(maxsize=8192)  # the same few reads are asked for ever
def _expected_of_read(request: ReadRequest) -> Expected:
    head = bytes((request.unit, request.function, request.byte_count))
    return Expected(head, request.answer_length, rtu_frame(request.unit, request.pdu()))


@dataclass(frozen=True, slots=True)
class WriteRequest:
    """Write bits (0 or 1) or registers (0..65535) by the function its target names.

    Raises:
        ValueError: a unit, address, function or value that no request can hold.

    """

    unit: int
    target: WriteTarget
    values: tuple[int, ...]

    def __post_init__(self) -> None:
        if _WRITES.get(self.function) is not self.target.table:
            raise ValueError(
                f"Function {self.function} does not write the {self.target.table} table."
            )
        _check(self.unit, self.start, self.count, _MOST[self.function])
        highest = 1 if self.target.table.holds_bits else 0xFFFF
        for value in self.values:
            if not 0 <= value <= highest:
                raise ValueError(f"A written {self.target.table} is 0 to {highest}, not {value}.")

    @property
    def function(self) -> int:
        """The Modbus function code: 5, 6, 15 or 16."""
        return self.target.function

    @property
    def start(self) -> int:
        """The first address written."""
        return self.target.register

    @property
    def count(self) -> int:
        """Addresses written."""
        return len(self.values)

    @property
    def shape(self) -> Shape:
        """What answers to this cannot be told apart by: unit, function, the echoed fields."""
        return (self.unit, self.function, self.start, self._second_field)

    @property
    def identity(self) -> tuple[int, int]:
        """Which addresses it writes: start and count."""
        return (self.start, self.count)

    @property
    def answer_length(self) -> int:
        """Bytes of the good answer's RTU frame."""
        return 8

    @property
    def _second_field(self) -> int:
        """What stands behind the address: the value written, or how many."""
        if self.function == 5:
            return 0xFF00 if self.values[0] else 0
        return self.values[0] if self.function == 6 else self.count

    def pdu(self) -> bytes:
        """Return the request. Source: Application Protocol V1.1b3 §6.5, 6.6, 6.11, 6.12."""
        fields = bytes((self.function,)) + _two(self.start) + _two(self._second_field)
        if self.function in (5, 6):
            return fields
        body = (
            _packed_bits(self.values) if self.function == 15 else b"".join(map(_two, self.values))
        )
        return fields + bytes((len(body),)) + body

    def expected(self) -> Expected:
        """Return what the answer must look like."""
        head = bytes((self.unit, self.function)) + _two(self.start) + _two(self._second_field)
        return Expected(head, self.answer_length, rtu_frame(self.unit, self.pdu()))


Request: TypeAlias = ReadRequest | WriteRequest


class Answer(NamedTuple):
    """What a station answered.

    Attributes:
        words: a read's values as 16-bit words, high byte first. Registers as they came; bits
            packed, the lowest address in bit 0 of the first word, unused bits 0. Empty for a
            write or an exception.
        exception_code: 0, or why the station did not do it.

    """

    words: bytes = b""
    exception_code: int = 0


def parse_answer(request: Request, pdu: bytes) -> Answer:
    """Return what an answer says.

    Args:
        request: what was asked.
        pdu: the answer's bytes from the function code on, without unit and CRC.

    Raises:
        DecodeError: the bytes are not an answer to this request.

    """
    if len(pdu) == 2 and pdu[0] == request.function | EXCEPTION:
        return Answer(exception_code=pdu[1])
    expected = request.expected()
    head = expected.head[1:]
    if len(pdu) != expected.length - 3 or not pdu.startswith(head):
        raise DecodeError(
            f"Unit {request.unit}: {len(pdu)} bytes came that do not answer function "
            f"{request.function} for {request.count} addresses from {request.start}; "
            f"{expected.length - 3} bytes were expected."
        )
    if isinstance(request, WriteRequest):
        return Answer()
    body = pdu[len(head) :]
    return Answer(_bit_words(body, request.count) if request.table.holds_bits else body)


def _check(unit: int, start: int, count: int, most: int) -> None:
    if not 1 <= unit <= 247:
        raise ValueError(f"A unit address is 1 to 247, not {unit}.")
    if not 1 <= count <= most:
        raise ValueError(f"One request of this function holds 1 to {most} addresses, not {count}.")
    if not 0 <= start <= 0x10000 - count:
        raise ValueError(f"Addresses run from 0 to 65535; {count} from {start} on do not fit.")


def _two(number: int) -> bytes:
    return number.to_bytes(2, "big")


def _packed_bits(values: tuple[int, ...]) -> bytes:
    number = sum(value << place for place, value in enumerate(values))
    return number.to_bytes((len(values) + 7) // 8, "little")


def _bit_words(body: bytes, count: int) -> bytes:
    # Some stations leave old bits in the unused places of the last byte: they are no values.
    bits = int.from_bytes(body, "little") & ((1 << count) - 1)
    words = (count + 15) // 16
    return struct.pack(f">{words}H", *(bits >> 16 * n & 0xFFFF for n in range(words)))

"""Cuts request frames out of a byte stream and takes them apart with pymodbus.

A second opinion on purpose: tallymast.domain.modbus is not used here. pymodbus gets exactly
one frame at a time, because its framer swallows the second of two requests that arrive together.
"""

from dataclasses import dataclass

from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU, ExceptionResponse
from pymodbus.pdu.pdu import ModbusPDU

_DECODER = DecodePDU(is_server=True)
_FRAMER = FramerRTU(_DECODER)
_TCP_FRAMER = FramerSocket(_DECODER)
_LEAST = 4  # unit, function and two CRC bytes
_TCP_LEAST = 8  # header of seven bytes, function


@dataclass(frozen=True, slots=True)
class Request:
    """One request as it came over the wire; ``pdu`` is None where the function is unknown."""

    unit: int
    function: int
    pdu: ModbusPDU | None
    size: int  # bytes of the whole frame on the radio's line, CRC included
    frame: bytes
    transaction: int | None = None  # its number, where it came over Modbus/TCP


def take_request(buffer: bytearray) -> Request | None:
    """Take the first whole request out of ``buffer``, or return None until more bytes come.

    A frame whose CRC fails empties the buffer: a station on a shared line cannot tell where
    the next one would begin, and waits for silence.
    """
    if len(buffer) < _LEAST:
        return None
    size = _frame_size(bytes(buffer))
    if size == 0 or len(buffer) < size:
        return None
    frame = bytes(buffer[:size])
    if not FramerRTU.check_CRC(frame[:-2], int.from_bytes(frame[-2:])):
        buffer.clear()
        return None
    del buffer[:size]
    return Request(frame[0], frame[1], _decoded(frame), size, frame)


def take_tcp_request(buffer: bytearray) -> Request | None:
    """Take the first whole Modbus/TCP request out of ``buffer``, or None until more bytes come."""
    if len(buffer) < _TCP_LEAST:
        return None
    end = 6 + int.from_bytes(buffer[4:6])
    if len(buffer) < end:
        return None
    frame = bytes(buffer[:end])
    del buffer[:end]
    try:
        _, pdu = _TCP_FRAMER.handleFrame(frame, 0, 0)
    except ModbusException:
        pdu = None
    line = frame[6:] + b"\0\0"  # as long as it is on the line behind the converter
    return Request(frame[6], frame[7], pdu, len(line), line, int.from_bytes(frame[:2]))


def _frame_size(received: bytes) -> int:
    """Return the length the first frame must have, 0 if not known yet."""
    kind = _DECODER.lookupPduClass(received)
    if kind is None or kind is ExceptionResponse:
        return len(received)
    try:
        return kind.calculateRtuFrameSize(received)
    except (ModbusException, IndexError):
        return len(received)


def _decoded(frame: bytes) -> ModbusPDU | None:
    try:
        _, pdu = _FRAMER.handleFrame(frame, 0, 0)
    except ModbusException:
        return None
    return pdu


def answer_frame(request: Request, pdu: ModbusPDU) -> bytes:
    """Return the frame that carries an answer, of the kind the request came in."""
    pdu.dev_id = request.unit
    if request.transaction is None:
        return _FRAMER.buildFrame(pdu)
    pdu.transaction_id = request.transaction
    return _TCP_FRAMER.buildFrame(pdu)

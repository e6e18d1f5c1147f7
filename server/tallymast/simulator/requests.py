"""Cuts request frames out of a byte stream and takes them apart with pymodbus.

A second opinion on purpose: tallymast.domain.modbus is not used here. pymodbus gets exactly
one frame at a time, because its framer swallows the second of two requests that arrive together.
"""

from dataclasses import dataclass

from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse
from pymodbus.pdu.pdu import ModbusPDU

_DECODER = DecodePDU(is_server=True)
_FRAMER = FramerRTU(_DECODER)
_LEAST = 4  # unit, function and two CRC bytes


@dataclass(frozen=True, slots=True)
class Request:
    """One request as it came over the wire; ``pdu`` is None where the function is unknown."""

    unit: int
    function: int
    pdu: ModbusPDU | None
    size: int  # bytes of the whole frame
    frame: bytes


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


def answer_frame(unit: int, pdu: ModbusPDU) -> bytes:
    """Return the RTU frame that carries an answer, CRC included."""
    pdu.dev_id = unit
    return _FRAMER.buildFrame(pdu)

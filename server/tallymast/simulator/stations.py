"""What a remote station answers: its registers at an instant, its outputs, its refusals.

A station knows its profile's registers and nothing else: reading an address that is neither
declared nor marked spare draws exception 02, more words than it can take 03, a function it
does not have 01.
"""

from collections.abc import Sequence

import numpy as np
from pymodbus.pdu import ExceptionResponse
from pymodbus.pdu import bit_message as bits
from pymodbus.pdu import register_message as registers
from pymodbus.pdu.pdu import ModbusPDU

from tallymast.domain.model import Point, PointKind, Site, Table
from tallymast.simulator.chance import Floats
from tallymast.simulator.outputs import Outputs
from tallymast.simulator.requests import Request
from tallymast.simulator.site_model import SiteModel
from tallymast.simulator.words import Words, raw_numbers, text_words, words_of

TRAVEL_PER_S = 100.0 / 300.0  # Ours: a gate takes five minutes from end to end [%/s]
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3

READS: dict[int, tuple[Table, type[ModbusPDU]]] = {
    1: (Table.COIL, bits.ReadCoilsResponse),
    2: (Table.DISCRETE, bits.ReadDiscreteInputsResponse),
    3: (Table.HOLDING, registers.ReadHoldingRegistersResponse),
    4: (Table.INPUT, registers.ReadInputRegistersResponse),
}
WRITES: dict[int, tuple[Table, type[ModbusPDU]]] = {
    5: (Table.COIL, bits.WriteSingleCoilResponse),
    6: (Table.HOLDING, registers.WriteSingleRegisterResponse),
    15: (Table.COIL, bits.WriteMultipleCoilsResponse),
    16: (Table.HOLDING, registers.WriteMultipleRegistersResponse),
}


class Refused(Exception):
    """The station answers with a Modbus exception code."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(f"exception {code:02X}")


class Station:
    """One site's station.

    Args:
        site: the site with its effective points.
        model: what is true at the site at any instant.

    """

    def __init__(self, site: Site, model: SiteModel) -> None:
        self.site = site
        self.model = model
        self.outputs = Outputs(site)
        self._at_hand: dict[str, float] = {}

    def hold(self, tag: str, raw: float) -> None:
        """Let a point read a raw number from now on, as with a calibrator at its terminals."""
        self._at_hand[tag] = raw

    def answer(self, request: Request, at_s: float) -> ModbusPDU:
        """Return the answer to one request heard at ``at_s`` [s since 1970 UTC]."""
        self.outputs.heard(at_s)
        try:
            return self._obeyed(request, at_s)
        except Refused as refused:
            return ExceptionResponse(request.function, refused.code, self.site.unit)

    def _obeyed(self, request: Request, at_s: float) -> ModbusPDU:
        if request.function not in READS and request.function not in WRITES:
            raise Refused(ILLEGAL_FUNCTION)
        if request.pdu is None:
            raise Refused(ILLEGAL_VALUE)
        if request.function in WRITES:
            return self._written(request.pdu, at_s)
        table, kind = READS[request.function]
        words = self.read(table, request.pdu.address, request.pdu.count, at_s)
        if table.holds_bits:
            return kind(bits=[bool(word) for word in words])
        return kind(registers=words)

    def read(self, table: Table, start: int, count: int, at_s: float) -> list[int]:
        """Return ``count`` registers or bits from ``start`` on, as they are at ``at_s``.

        The station looks at its inputs once a second, so everything inside one second agrees.

        Raises:
            Refused: an address it does not have, or more than it can send at once.

        """
        words = (count + 15) // 16 if table.holds_bits else count
        if words > self.site.max_words:
            raise Refused(ILLEGAL_VALUE)
        if not self._has(table, start, count):
            raise Refused(ILLEGAL_ADDRESS)
        image = np.zeros(count, dtype=np.uint16)
        for point in self.site.points:
            if point.table is table and _touches(point, start, count):
                _lay(image, point.register - start, self._words(point, at_s))
        return [int(word) for word in image]

    def _words(self, point: Point, at_s: float) -> Words:
        if point.tag in self._at_hand:
            return words_of(point, np.array([self._at_hand[point.tag]]))
        held = self.outputs.words(point, at_s)
        if held is not None:
            return held
        moment = np.array([np.floor(at_s)])
        followed = self._followed(point, moment)
        if followed is not None:
            return words_of(point, raw_numbers(point, followed))
        return point_words(self.model, point, moment)

    def _followed(self, point: Point, moment: Floats) -> Floats | None:
        """Return what an input shows that follows an output written since; None if none does."""
        drivers = [
            one for one in self.site.points if one.feedback and one.feedback.tag == point.tag
        ]
        at_s = float(moment[0])
        pulses = [one for one in drivers if one.kind is PointKind.PULSE_OUTPUT]
        if pulses:
            ran_s = [self.outputs.ran_s(one, at_s) for one in pulses]
            moved = TRAVEL_PER_S * (ran_s[0] - sum(ran_s[1:]))  # the first raises, others lower
            return np.clip(self.model.values(point, moment) + moved, 0.0, 100.0)
        for one in drivers:
            if self.outputs.is_on(one.tag, at_s):
                return np.ones(1)
            if self.outputs.is_known(one.tag) and self.model.values(one, moment)[0]:
                return np.zeros(1)  # held by somebody, and fallen back or switched off since
        return None

    def _has(self, table: Table, start: int, count: int) -> bool:
        known = {
            point.register + n
            for point in self.site.points
            if point.table is table
            for n in range(point.length)
        }
        spare = [(low, high) for where, low, high in self.site.spare if where is table]
        return start + count <= 2**16 and all(
            address in known or any(low <= address <= high for low, high in spare)
            for address in range(start, start + count)
        )

    def _written(self, pdu: ModbusPDU, at_s: float) -> ModbusPDU:
        table, kind = WRITES[pdu.function_code]
        values = [int(bit) for bit in pdu.bits] if table.holds_bits else list(pdu.registers)
        if not _whole(pdu, values):
            raise Refused(ILLEGAL_VALUE)
        if not self.outputs.write(table, pdu.address, values, at_s):
            raise Refused(ILLEGAL_ADDRESS)
        if pdu.function_code in (5, 6):
            return kind(address=pdu.address, bits=pdu.bits, registers=pdu.registers)
        return kind(address=pdu.address, count=pdu.count)


def point_words(model: SiteModel, point: Point, at_s: np.ndarray) -> Words:
    """Return a row of a point's words for each instant [s since 1970 UTC]."""
    if point.kind is PointKind.REVISION and point.layout == "text":
        return np.repeat(text_words(point, model.revision_text), len(at_s), axis=0)
    return words_of(point, raw_numbers(point, model.values(point, at_s)))


def _touches(point: Point, start: int, count: int) -> bool:
    return point.register < start + count and start < point.register + point.length


def _lay(image: Words, offset: int, words: Words) -> None:
    """Put a point's words into an image that may hold only a part of them."""
    for n, word in enumerate(words[0]):
        if 0 <= offset + n < len(image):
            image[offset + n] |= word


def _whole(pdu: ModbusPDU, values: Sequence[int]) -> bool:
    """Whether a write carries as many values as it announces."""
    if pdu.function_code in (5, 6):
        return len(values) == 1
    return len(values) == pdu.count and pdu.count >= 1

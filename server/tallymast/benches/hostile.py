"""A hostile line: stations whose every register tells unit, function and address, badly delivered.

Frames are built here by arithmetic of their own (the CRC bit by bit, MODBUS over Serial Line
V1.02 §6.2.2), so that no fault of our codec can hide behind itself.
Each request is answered at most once; the network may repeat a frame within 0.2 s.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from random import Random

from tallymast.benches.virtual import Reply

READ_WORDS, WRITE_MANY = (3, 4), 16
REPEAT_WITHIN_S = 0.2
HOLDING = 3


def crc(body: bytes) -> bytes:
    """Return the CRC-16 of a frame's body, low byte first, bit by bit."""
    register = 0xFFFF
    for byte in body:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0xA001 if register & 1 else 0)
    return register.to_bytes(2, "little")


def word_at(unit: int, function: int, address: int) -> int:
    """Return what a register holds: no two registers of the bench hold the same."""
    return unit << 11 ^ function << 8 ^ address


@dataclass
class HostileLine:
    """The far side of a gateway's port.

    Args:
        chance: what befalls each exchange; the same seed, the same line.
        latest_s: how late an answer may come, counted from its request [s].
        fates: names of what may befall an exchange, and how often.
        echoes: whether own bytes come back before anything else.

    """

    chance: Random
    latest_s: float
    fates: dict[str, float]
    echoes: bool = False
    written: dict[tuple[int, int], int] = field(default_factory=dict)
    worst_s: float = 0.0

    def __call__(self, frame: bytes, now: float) -> Iterator[Reply]:
        """Yield what comes back of a request, and when."""
        fate = self._fate()
        if self.echoes:
            yield 0.002, frame
        if fate == "never-heard":
            return
        answer = self._exception(frame) if fate == "exception" else self._answer(frame)
        deliver = _DELIVERIES.get(fate)
        if deliver is not None:
            yield from deliver(self, answer)

    def _fate(self) -> str:
        names = list(self.fates)
        return self.chance.choices(names, [self.fates[name] for name in names])[0]

    # --- what the station says ------------------------------------------------------------

    def _answer(self, frame: bytes) -> bytes:
        unit, function = frame[0], frame[1]
        start, count = int.from_bytes(frame[2:4], "big"), int.from_bytes(frame[4:6], "big")
        if function in READ_WORDS:
            words = [self.holds(unit, function, start + n) for n in range(count)]
            body = bytes([unit, function, 2 * count])
            body += b"".join(word.to_bytes(2, "big") for word in words)
        elif function == WRITE_MANY:
            for n in range(count):
                self.written[unit, start + n] = int.from_bytes(frame[7 + 2 * n : 9 + 2 * n], "big")
            body = frame[:6]
        else:
            self.written[unit, start] = count
            body = frame[:6]
        return body + crc(body)

    def holds(self, unit: int, function: int, address: int) -> int:
        """Return what a register holds now."""
        if function == HOLDING and (unit, address) in self.written:
            return self.written[unit, address]
        return word_at(unit, function, address)

    def _exception(self, frame: bytes) -> bytes:
        body = bytes([frame[0], frame[1] | 0x80, self.chance.choice([1, 2, 3, 4, 5, 6, 10, 11])])
        return body + crc(body)

    # --- how it arrives -------------------------------------------------------------------

    def _soon(self) -> float:
        return 0.05 + 0.1 * self.chance.random()

    def _good(self, answer: bytes) -> Iterator[Reply]:
        yield self._soon(), answer

    def _late(self, answer: bytes) -> Iterator[Reply]:
        delay = 2.0 + (self.latest_s - 2.0) * self.chance.random()
        self.worst_s = max(self.worst_s, delay)
        yield delay, answer

    def _repeated(self, answer: bytes) -> Iterator[Reply]:
        soon = self._soon()
        yield soon, answer
        yield soon + REPEAT_WITHIN_S * self.chance.random(), answer

    def _coalesced(self, answer: bytes) -> Iterator[Reply]:
        yield self._soon(), answer + answer

    def _noise_before(self, answer: bytes) -> Iterator[Reply]:
        yield self._soon(), self.chance.randbytes(self.chance.randint(1, 9)) + answer

    def _noise_after(self, answer: bytes) -> Iterator[Reply]:
        yield self._soon(), answer + self.chance.randbytes(self.chance.randint(1, 9))

    def _split(self, answer: bytes) -> Iterator[Reply]:
        soon = self._soon()
        for n in range(len(answer)):
            yield soon + 0.001 * n, answer[n : n + 1]

    def _bad_crc(self, answer: bytes) -> Iterator[Reply]:
        place = self.chance.randrange(len(answer))
        wrong = answer[place] ^ 1 << self.chance.randrange(8)
        yield self._soon(), answer[:place] + bytes([wrong]) + answer[place + 1 :]

    def _wrong_unit(self, answer: bytes) -> Iterator[Reply]:
        # A unit nobody polls: a station that lies with a polled unit's address, in the very
        # moment that unit is asked, cannot be told from it by anything in the protocol.
        body = bytes([answer[0] + 100]) + answer[1:-2]
        yield self._soon(), body + crc(body)

    def _wrong_count(self, answer: bytes) -> Iterator[Reply]:
        body = answer[:2] + bytes([(answer[2] + 2) % 250]) + answer[3:-2] + b"\x12\x34"
        yield self._soon(), body + crc(body)

    def _reset(self, answer: bytes) -> Iterator[Reply]:
        soon = self._soon()
        yield soon, answer[: self.chance.randrange(len(answer))]
        yield soon + 0.01, None


_DELIVERIES: dict[str, Callable[[HostileLine, bytes], Iterator[Reply]]] = {
    "good": HostileLine._good,
    "exception": HostileLine._good,
    "late": HostileLine._late,
    "repeated": HostileLine._repeated,
    "coalesced": HostileLine._coalesced,
    "noise-before": HostileLine._noise_before,
    "noise-after": HostileLine._noise_after,
    "split": HostileLine._split,
    "bad-crc": HostileLine._bad_crc,
    "wrong-unit": HostileLine._wrong_unit,
    "wrong-count": HostileLine._wrong_count,
    "reset": HostileLine._reset,
}  # "lost": the station obeyed, its answer is not heard; "never-heard": it did not even hear

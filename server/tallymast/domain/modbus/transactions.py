"""Keeps account of what is out on a Modbus/TCP connection, where every frame names its question.

An answer carries the number of its request, so none can be taken for another's and nothing ever
has to wait; what comes late only teaches how late frames come. It offers what ``Debts`` offers,
so that the exchange layer treats both lines alike. Pure: bytes and seconds come in as arguments.
"""

from collections import OrderedDict
from typing import Final

from tallymast.domain.modbus.debts import Settled
from tallymast.domain.modbus.frames import Match, tcp_frame, tcp_header
from tallymast.domain.modbus.requests import Request

HEADER: Final = 7
_NUMBERS: Final = 65_536
_REMEMBERED: Final = 256  # Ours: so many questions back a late answer is still understood


class Transactions:
    """The questions of one connection after the other; numbers go on across them."""

    quarantine_s = 0.0
    repeat_s = 0.0

    def __init__(self) -> None:
        self._number = 0
        self._sent: OrderedDict[int, float] = OrderedDict()
        self._answered: set[int] = set()
        self._buffer = b""
        self._newest_sent = 0.0
        self.worst_lateness = 0.0
        self.repeats = 0
        self.strangers = 0  # answers to questions nobody here asked

    def begin(self) -> None:
        """Forget half a frame of an earlier connection."""
        self._buffer = b""

    def frame(self, request: Request) -> bytes:
        """Return a request's bytes under a new number."""
        self._number = (self._number + 1) % _NUMBERS
        return tcp_frame(self._number, request.unit, request.pdu())

    def wrapped(self, request: Request, pdu: bytes) -> bytes:
        """Return the newest request's answer as it stood on the wire."""
        return tcp_frame(self._number, request.unit, pdu)

    # --- as Debts ------------------------------------------------------------------------

    def add(self, request: Request, sent_at: float, until: float | None = None) -> None:
        """Enter the request whose frame was made last, sent just now."""
        del request, until
        self._sent[self._number] = self._newest_sent = sent_at
        self._answered.discard(self._number)
        while len(self._sent) > _REMEMBERED:
            number, _ = self._sent.popitem(last=False)
            self._answered.discard(number)

    def may_send(self, request: Request, now: float) -> bool:
        """Return True: numbers tell answers apart."""
        del request, now
        return True

    def earliest(self, request: Request, now: float) -> float:
        """Return ``now``: numbers tell answers apart."""
        del request
        return now

    def certain_from(self, request: Request, now: float) -> float:
        """Return ``now``: an answer is its own request's."""
        del request
        return now

    def believes_exception(self, request: Request, now: float) -> bool:
        """Return True: an exception carries the number of what it refuses."""
        del request, now
        return True

    def answered(self, request: Request, arrived: float, *, exception: bool = False) -> Settled:
        """Settle the newest request."""
        del request, exception
        self._answered.add(self._number)
        lateness = arrived - self._newest_sent
        self.worst_lateness = max(self.worst_lateness, lateness)
        return Settled(self._newest_sent, lateness)

    def overheard(self, received: bytes, arrived: float) -> int:
        """Learn from frames nobody waits for; return how many there were."""
        frames = 0
        for number, _, _ in self._frames(received):
            self._late(number, arrived)
            frames += 1
        return frames

    # --- the newest request's answer -----------------------------------------------------

    def take(self, received: bytes, arrived: float, request: Request) -> tuple[Match | None, int]:
        """Return the answer to the newest request if it has come, and how many frames misfit.

        Raises:
            DecodeError: the other side does not speak Modbus/TCP; the stream is of no more use.

        """
        found, misfits = None, 0
        for number, unit, pdu in self._frames(received):
            if number != self._number or found is not None:
                self._late(number, arrived)
            elif _fits(request, unit, pdu):
                found = Match(0, 0, pdu)
            else:
                misfits += 1
        return found, misfits

    @property
    def unfinished(self) -> int:
        """Bytes of a frame that is not whole yet."""
        return len(self._buffer)

    def _frames(self, received: bytes) -> list[tuple[int, int, bytes]]:
        """Return number, unit and PDU of each whole frame."""
        self._buffer += received
        frames = []
        while len(self._buffer) >= HEADER:
            header = tcp_header(self._buffer[:HEADER])
            end = HEADER + header.length - 1
            if len(self._buffer) < end:
                break
            frames.append((header.transaction, header.unit, self._buffer[HEADER:end]))
            self._buffer = self._buffer[end:]
        return frames

    def _late(self, number: int, arrived: float) -> None:
        if number not in self._sent:
            self.strangers += 1
        elif number in self._answered:
            self.repeats += 1
        else:
            self._answered.add(number)
            self.worst_lateness = max(self.worst_lateness, arrived - self._sent[number])


def _fits(request: Request, unit: int, pdu: bytes) -> bool:
    """Whether a PDU is a good answer or an exception answer to a request, in form."""
    if unit != request.unit or not pdu:
        return False
    expected = request.expected()
    if bytes((unit, pdu[0])) == expected.exception_head:
        return len(pdu) == 2
    return bytes((unit,)) + pdu[: len(expected.head) - 1] == expected.head and (
        len(pdu) == expected.length - 3
    )

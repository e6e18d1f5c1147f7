"""What was heard since a request went out, and whether it holds the request's one answer.

On a line of RTU frames every offset is tried (frames.py); over Modbus/TCP frames carry the
number of their question (transactions.py).
"""

from typing import TypeAlias

from tallymast.domain.errors import DecodeError, GatewayUnreachable
from tallymast.domain.modbus.frames import Expected, Match, find_answer
from tallymast.domain.modbus.requests import Request
from tallymast.domain.modbus.transactions import Transactions
from tallymast.domain.model import Gateway
from tallymast.polling.line import Heard

REMEMBERED_BYTES = 4096  # Ours: of a babbling line only the newest is kept and looked at.


class LineHearing:
    """What was heard since a request went out."""

    def __init__(self, expected: Expected, local_echo: bool) -> None:
        self._expected = expected
        self._local_echo = local_echo
        self._buffer = b""
        self.everything = bytearray()
        self._cut = 0  # bytes of ``everything`` before the buffer
        self.noise = self.echoes = 0
        self.may_grow = self.is_ambiguous = False
        self.last_at = 0.0
        self._found_at = 0

    def search(self, heard: Heard) -> Match | None:
        """Return the answer if these bytes complete it."""
        self.last_at = heard.at
        self.everything += heard.received
        self._buffer += heard.received
        found = find_answer(self._buffer, self._expected, local_echo=self._local_echo)
        self.may_grow, self.is_ambiguous = found.may_grow, found.is_ambiguous
        self.echoes += found.echoes
        self.noise += found.noise
        self._found_at = self._cut
        keep = found.keep_from
        keep = max(keep, len(self._buffer) - REMEMBERED_BYTES)
        self._buffer = self._buffer[keep:]
        self._cut += keep
        self._forget()
        return found.answer

    def rest(self, match: Match) -> bytes:
        """Return what was heard besides the answer."""
        begin = self._found_at
        return bytes(self.everything[: begin + match.start] + self.everything[begin + match.end :])

    @property
    def unfinished(self) -> int:
        """Bytes that began like an answer and led to none."""
        own = self._local_echo and self._buffer.startswith(self._expected.request)
        return len(self._buffer) - (len(self._expected.request) if own else 0)

    def _forget(self) -> None:
        surplus = len(self.everything) - REMEMBERED_BYTES
        if surplus > 0:
            del self.everything[:surplus]
            self._cut -= surplus
            self._found_at -= surplus


class NumberedHearing:
    """What was heard on a Modbus/TCP connection since a request went out."""

    may_grow = is_ambiguous = False
    echoes = 0

    def __init__(self, numbers: Transactions, request: Request, gateway: Gateway) -> None:
        self._numbers = numbers
        self._request = request
        self._gateway = gateway
        self.everything = b""  # all frames are understood as they come
        self.noise = 0
        self.last_at = 0.0

    def search(self, heard: Heard) -> Match | None:
        """Return the answer if these bytes complete it."""
        self.last_at = heard.at
        try:
            found, misfits = self._numbers.take(heard.received, heard.at, self._request)
        except DecodeError as error:
            raise GatewayUnreachable(self._gateway.name, not_modbus_tcp(error)) from error
        self.noise += misfits
        return found

    def rest(self, match: Match) -> bytes:
        """Return nothing: whatever came besides is understood already."""
        del match
        return b""

    @property
    def unfinished(self) -> int:
        """Bytes of a frame that is not whole yet."""
        return self._numbers.unfinished


def not_modbus_tcp(error: DecodeError) -> str:
    """Return what a person is told whose gateway answers in another tongue."""
    said = str(error).rstrip(".")
    return f"what comes back is not Modbus/TCP ({said}); is it rtu-over-tcp"


Hearing: TypeAlias = LineHearing | NumberedHearing

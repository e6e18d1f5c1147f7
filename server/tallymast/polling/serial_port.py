"""A port over a serial line: the radio's own RS-232 or RS-485 port, without a device server.

Needs the pyserial library (`pip install tallymast[serial]`); a station's silence cannot be
seen through the operating system's buffers either, so frames are found as over TCP.
"""

import asyncio
from typing import Any

from tallymast.domain.errors import GatewayUnreachable
from tallymast.domain.model import Gateway
from tallymast.polling.line import Heard, Inbox

READ_AT_ONCE = 4096


class SerialPort:
    """One serial line of a gateway, opened with the gateway's own baud, parity and stop bits."""

    def __init__(self, gateway: Gateway) -> None:
        self._gateway = gateway
        self._line: Any = None
        self._inbox = Inbox()

    async def open(self, timeout_s: float) -> None:
        """Open the line, or raise GatewayUnreachable; a line opens at once or not at all."""
        del timeout_s
        self.close()
        library = self._library()
        gateway = self._gateway
        try:
            self._line = library.Serial(
                gateway.address,
                gateway.baud,
                parity=gateway.parity.value[0].upper(),
                stopbits=gateway.stop_bits,
                timeout=0,
                write_timeout=0,
                exclusive=True,
            )
        except (OSError, ValueError) as error:
            raise self._unreachable(_why(error)) from error
        self._inbox = Inbox()
        self._line.reset_input_buffer()
        asyncio.get_running_loop().add_reader(self._line.fileno(), self._readable)

    def send(self, frame: bytes) -> None:
        """Send bytes, or raise GatewayUnreachable."""
        line = self._open_line()
        self._inbox.check()
        try:
            line.write(frame)
        except OSError as error:
            raise self._unreachable(_why(error)) from error

    async def receive(self, until: float) -> Heard | None:
        """Return the next bytes, None at ``until``, or raise GatewayUnreachable."""
        self._open_line()
        return await self._inbox.take(until)

    def is_undelivered(self) -> bool:
        """Whether the line still holds bytes to send: it is blocked, or much too slow."""
        try:
            return bool(self._open_line().out_waiting)
        except OSError:
            return False

    def close(self) -> None:
        """Close the line at once."""
        if self._line is not None:
            asyncio.get_running_loop().remove_reader(self._line.fileno())
            self._line.close()
            self._line = None

    def _readable(self) -> None:
        try:
            received = self._line.read(READ_AT_ONCE)
        except OSError as error:
            self._lose(_why(error))
            return
        if received:
            self._inbox.put(received, asyncio.get_running_loop().time())
        else:  # ready and empty: the other end is gone
            self._lose("has been closed by the other side; is the adapter unplugged")

    def _lose(self, why: str) -> None:
        asyncio.get_running_loop().remove_reader(self._line.fileno())
        self._inbox.lose(self._unreachable(why))

    def _open_line(self) -> Any:
        if self._line is None:
            raise self._unreachable("is not open")
        return self._line

    def _library(self) -> Any:
        try:
            import serial
        except ImportError as error:
            raise self._unreachable(
                "needs the pyserial library, which is not installed "
                "(pip install 'tallymast[serial]')"
            ) from error
        return serial

    def _unreachable(self, why: str) -> GatewayUnreachable:
        return GatewayUnreachable(
            self._gateway.name, f"the serial port {self._gateway.address} {why}"
        )


def _why(error: Exception) -> str:
    text = str(error).lower()
    if "no such file" in text or getattr(error, "errno", None) == 2:
        return "does not exist; is the adapter plugged in"
    if "permission" in text or getattr(error, "errno", None) == 13:
        return "may not be opened by this user; on Linux add it to the group dialout"
    if "lock" in text or "busy" in text:
        return "is used by another program"
    return f"cannot be used ({error})"

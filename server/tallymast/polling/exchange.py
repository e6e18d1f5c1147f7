"""Holds one exchange after the other on a channel, and lets no answer pass for another's.

Its rules: only a frame that fits the request and whose CRC holds is an answer;
what may still come is a debt that outlives the connection; a write goes out once, and what it did
is read back by whoever writes (orders.py). A late frame can make an exchange wait or fail, never
lie.
"""

import asyncio
import logging
from dataclasses import dataclass
from typing import NamedTuple, NoReturn, Protocol

from tallymast.domain.errors import (
    BusySite,
    ConfigError,
    DecodeError,
    DeviceFailure,
    ExchangeFailed,
    GarbledAnswer,
    GatewayUnreachable,
    NoAnswer,
    PathFault,
    RefusedBySite,
)
from tallymast.domain.modbus.airtime import character_s
from tallymast.domain.modbus.debts import Debts, Settled
from tallymast.domain.modbus.frames import Match, rtu_frame
from tallymast.domain.modbus.requests import (
    Answer,
    ReadRequest,
    Request,
    WriteRequest,
    parse_answer,
)
from tallymast.domain.modbus.transactions import Transactions
from tallymast.domain.model import Gateway, Transport
from tallymast.polling.hearing import Hearing, LineHearing, NumberedHearing, not_modbus_tcp
from tallymast.polling.line import Port

log = logging.getLogger(__name__)

READ_BACK_TRIES = 4
ACCEPTED_UNFINISHED = 5

# MODBUS Application Protocol V1.1b3 §7
_EXCEPTIONS: dict[int, tuple[type[ExchangeFailed], str]] = {
    1: (RefusedBySite, "it does not know function {function} (exception 01)"),
    2: (RefusedBySite, "it has no such registers: {what} (exception 02)"),
    3: (RefusedBySite, "it refuses the value or the count: {what} (exception 03)"),
    4: (DeviceFailure, "it reports a failure of its own (exception 04)"),
    5: (BusySite, "it accepted the request but has not finished it (exception 05)"),
    6: (BusySite, "it is busy (exception 06)"),
    10: (PathFault, "the gateway has no path to it (exception 0A)"),
    11: (NoAnswer, "the gateway says it does not answer (exception 0B)"),
}


@dataclass(frozen=True, slots=True)
class Station:
    """Whom to ask, and how long to wait: the site's name for people, its unit, its timeout [s]."""

    name: str
    unit: int
    timeout_s: float


class Given(NamedTuple):
    """What an answered exchange gave; times are the event loop's [s]."""

    words: bytes
    sent_at: float
    arrived_at: float
    settled: Settled


class Tap(Protocol):
    """Who listens in on a channel."""

    def __call__(self, way: str, body: bytes, unit: int | None, meaning: str) -> None:
        """Take bytes that were sent or heard, whose they are, and what they mean."""


class Exchanger:
    """One channel's exchanges, one at a time; it outlives connections, as its debts do."""

    def __init__(self, port: Port, gateway: Gateway) -> None:
        self._port = port
        self._gateway = gateway
        self._free_at = 0.0
        self.debts: Debts | Transactions = (
            Transactions()
            if gateway.transport is Transport.MODBUS_TCP
            else Debts(gateway.quarantine_s)
        )
        self.exchanges = 0
        self.answers_since_connect = 0
        self.last_sent_at = 0.0
        self.last_answer_s: float | None = None
        self.echo_seen = False
        self.tap: Tap | None = None

    def revise(self, gateway: Gateway) -> None:
        """Go on by a gateway's changed settings; what is out stays out."""
        self._gateway = gateway
        if gateway.local_echo:
            self.echo_seen = False
        if isinstance(self.debts, Debts):
            self.debts.revise(gateway.quarantine_s)

    async def connect(self) -> None:
        """Open the port and listen for one reply timeout before anything is asked.

        What an earlier session asked for may still come; after an unclean end it does. Over
        Modbus/TCP frames carry numbers, and nothing has to be waited for.

        Raises:
            GatewayUnreachable: the gateway does not accept, or breaks off.

        """
        await self._port.open(self._gateway.connect_timeout_s)
        self.answers_since_connect = 0
        if isinstance(self.debts, Transactions):
            self.debts.begin()
        else:
            await self.listen(_now() + self._gateway.reply_timeout_s)

    def close(self) -> None:
        """End the connection; debts stay."""
        self._port.close()

    async def listen(self, until: float) -> None:
        """Wait until ``until``; what comes meanwhile answers nothing and only teaches.

        Raises:
            GatewayUnreachable: the connection was lost meanwhile.

        """
        while (heard := await self._port.receive(until)) is not None:
            self._overhear(heard.received, heard.at)

    def earliest(self, request: Request, now: float) -> float:
        """Return when a request may go without its answer being mistaken; ``now`` if at once."""
        return self.debts.earliest(request, now)

    # --- one exchange --------------------------------------------------------------------

    async def ask(self, request: Request, station: Station) -> Given:
        """Send a request and return its answer; waits first until it may go.

        Raises:
            NoAnswer, GarbledAnswer: nothing valid came within the station's timeout.
            RefusedBySite, BusySite, DeviceFailure, PathFault: an exception answer came.
            GatewayUnreachable: the connection is lost; nobody's fault behind it.

        """
        await self._wait_for_leave(request)
        frame, hearing = self._begin(request)
        sent_at = _now()
        self._port.send(frame)
        if self.tap is not None:
            self.tap("sent", frame, request.unit, _asked(request))
        self.debts.add(request, sent_at, sent_at + 3 * station.timeout_s)
        self.exchanges += 1
        self.last_sent_at, self.last_answer_s = sent_at, None
        try:
            match = await self._answer(request, station, hearing, sent_at)
        finally:
            self._free_at = max(sent_at, hearing.last_at) + self._gateway.min_gap_ms / 1000
        if match is None:
            self._give_up(station, hearing)
        return self._accept(request, station, match, hearing, sent_at)

    def _begin(self, request: Request) -> tuple[bytes, Hearing]:
        if isinstance(self.debts, Transactions):
            return self.debts.frame(request), NumberedHearing(self.debts, request, self._gateway)
        expected = request.expected()
        return expected.request, LineHearing(expected, self._gateway.local_echo)

    async def _wait_for_leave(self, request: Request) -> None:
        await self.listen(max(self._free_at, _now()))
        while (may_go := self.debts.earliest(request, _now())) > _now():
            await self.listen(may_go)

    async def _answer(
        self,
        request: Request,
        station: Station,
        hearing: Hearing,
        sent_at: float,
    ) -> Match | None:
        """Return the one answer, or None when the time is up or none can be trusted."""
        deadline = sent_at + station.timeout_s
        extended = False
        while True:
            heard = await self._port.receive(deadline)
            if heard is not None:
                match = hearing.search(heard)
                if match is not None and self._is_believed(request, match, heard.at):
                    return match
                if hearing.is_ambiguous:
                    return None
            elif hearing.may_grow and not extended:
                extended, deadline = True, deadline + self._frame_s(request.answer_length)
            else:
                return None

    def _is_believed(self, request: Request, match: Match, at: float) -> bool:
        return not match.is_exception or self.debts.believes_exception(request, at)

    def _frame_s(self, length: int) -> float:
        return length * character_s(self._gateway.baud, self._gateway.character_bits)

    def _give_up(self, station: Station, hearing: Hearing) -> NoReturn:
        self._note_echo(hearing)
        frames = self._overhear(bytes(hearing.everything), hearing.last_at, told=False)
        heard = bytes(hearing.everything)
        self._tell("heard", heard, station.unit, f"no valid answer within {station.timeout_s:g} s")
        self._free_at = max(self._free_at, _now() + 2 * self._gateway.min_gap_ms / 1000)
        if self._port.is_undelivered():
            raise GatewayUnreachable(
                self._gateway.name, "the gateway has stopped taking what is sent to it"
            )
        if hearing.is_ambiguous:
            raise GarbledAnswer(station.name, "two answers came at once, neither can be trusted")
        noise = hearing.noise + hearing.unfinished
        if noise and not frames:
            raise GarbledAnswer(station.name, f"{noise} bytes came, none of them valid")
        raise NoAnswer(station.name, f"no answer within {station.timeout_s:.1f} s")

    def _accept(
        self,
        request: Request,
        station: Station,
        match: Match,
        hearing: Hearing,
        sent: float,
    ) -> Given:
        arrived = hearing.last_at
        settled = self.debts.answered(request, arrived, exception=match.is_exception)
        self.answers_since_connect += 1
        self.last_answer_s = arrived - sent
        self._note_echo(hearing)
        self._overhear(hearing.rest(match), arrived)
        answer = parse_answer(request, match.pdu)
        if self.tap is not None:
            frame = self._whole(request, match.pdu)
            self.tap("heard", frame, request.unit, _said(answer, arrived - sent))
        if answer.exception_code:
            raise _refusal(request, station, answer)
        return Given(answer.words, sent, arrived, settled)

    def _tell(self, way: str, body: bytes, unit: int | None, meaning: str) -> None:
        if self.tap is not None:
            self.tap(way, body, unit, meaning)

    def _whole(self, request: Request, pdu: bytes) -> bytes:
        """Return an answer as it stood on the wire."""
        if isinstance(self.debts, Transactions):
            return self.debts.wrapped(request, pdu)
        return rtu_frame(request.unit, pdu)

    def _overhear(self, received: bytes, at: float, *, told: bool = True) -> int:
        if not received:
            return 0
        if told:
            self._tell("heard", received, None, "nobody was waiting for this")
        try:
            frames = self.debts.overheard(received, at)
        except DecodeError as error:
            raise GatewayUnreachable(self._gateway.name, not_modbus_tcp(error)) from error
        log.debug("overheard gateway=%s bytes=%s", self._gateway.key, received.hex(" "))
        return frames

    def _note_echo(self, hearing: Hearing) -> None:
        if hearing.echoes and not self.echo_seen:
            self.echo_seen = True
            log.warning("own bytes come back gateway=%s local_echo=false", self._gateway.key)

    # --- a write is not done until it is read back; whoever writes has it read (orders.py) ---

    async def write_once(self, request: WriteRequest, station: Station) -> bool:
        """Write, and never again: where no clear answer comes, only a read-back can tell.

        Returns:
            whether the station answered that it did it.

        Raises:
            ConfigError: own bytes come back although local_echo is false: an echo could pass
                for the station's word, so nothing is written on this gateway.
            RefusedBySite, BusySite, DeviceFailure, PathFault: the station did not do it.
            GatewayUnreachable: the connection is lost; whether it was done is unknown.

        """
        if self.echo_seen:
            raise ConfigError(self.echo_sentence)
        try:
            await self.ask(request, station)
        except (NoAnswer, GarbledAnswer):
            return False
        except BusySite as busy:
            if busy.code != ACCEPTED_UNFINISHED:
                raise
            return False
        return True

    async def read_since(self, read: ReadRequest, station: Station, since: float) -> Given | None:
        """Read once; return what was surely taken after ``since`` [s], None where that is not sure.

        A late answer to an older read of the same registers tells what they held before.

        Raises:
            ExchangeFailed: the station did not answer it, or the connection is lost.

        """
        given = await self.ask(read, station)
        return given if given.settled.first_sent >= since else None

    @property
    def echo_sentence(self) -> str:
        """What is wrong when own bytes come back, and what to do; empty while they do not."""
        if not self.echo_seen:
            return ""
        return (
            f"{self._gateway.name}: our own bytes come back before the answers, but local_echo is "
            "false; nothing is written there until local_echo = true is set for this gateway."
        )


def _refusal(request: Request, station: Station, answer: Answer) -> ExchangeFailed:
    code = answer.exception_code
    kind, reason = _EXCEPTIONS.get(
        code, (RefusedBySite, f"it refuses for a reason of its own (exception {code:02X})")
    )
    what = f"{request.count} from {request.start} on"
    return kind(station.name, reason.format(function=request.function, what=what), code)


def _asked(request: Request) -> str:
    """Return in words what a request asks for."""
    if isinstance(request, ReadRequest):
        last = request.start + request.count - 1
        span = f"{request.start}" if request.count == 1 else f"{request.start} to {last}"
        return f"read {request.table.value} {span}"
    values = ", ".join(str(value) for value in request.values)
    return f"write {request.target.table.value} {request.start} on: {values}"


def _said(answer: Answer, took_s: float) -> str:
    """Return in words what an answer says."""
    if answer.exception_code:
        return f"exception {answer.exception_code:02X} after {1000 * took_s:.0f} ms"
    return f"answer after {1000 * took_s:.0f} ms"


def _now() -> float:
    return asyncio.get_running_loop().time()

"""Modbus/TCP and a serial line, by the same exchange layer and poller."""

import asyncio
import os
import pty
import socket
import struct
import threading
import tty
from collections.abc import Awaitable, Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest
from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU
from pymodbus.pdu import register_message as registers
from tests.polling.conftest import GATEWAY

from tallymast.benches.abuse import write_and_read
from tallymast.benches.virtual import MemoryPort, Reply, run_virtual
from tallymast.domain.errors import (
    DeviceFailure,
    GarbledAnswer,
    GatewayUnreachable,
    NoAnswer,
    RefusedBySite,
)
from tallymast.domain.modbus.requests import ReadRequest, WriteRequest
from tallymast.domain.modbus.transactions import Transactions
from tallymast.domain.model import Gateway, Parity, Table, Transport, WriteTarget
from tallymast.polling.exchange import Exchanger, Station
from tallymast.polling.poller import make_port
from tallymast.polling.serial_port import SerialPort

TCP = replace(GATEWAY, transport=Transport.MODBUS_TCP)
WEIR = Station("Upper Weir", 17, 2.0)
BLOCK = ReadRequest(17, Table.HOLDING, 0x6B, 3)
OTHER = ReadRequest(17, Table.HOLDING, 0x10, 3)
PDU = bytes.fromhex("03 06 02 2B 00 00 00 64")


def mbap(number: int, unit: int, pdu: bytes) -> bytes:
    # MODBUS Messaging on TCP/IP Implementation Guide V1.0b section 3.1.3.
    return struct.pack(">HHHB", number, 0, len(pdu) + 1, unit) + pdu


def hold(
    work: Callable[[Exchanger], Awaitable[object]],
    reply: Callable[[int, bytes], Iterable[Reply]],
) -> MemoryPort:
    """Do ``work`` on a Modbus/TCP line that answers by question number and PDU."""

    def answer(frame: bytes, _now: float) -> Iterable[Reply]:
        number, protocol, length, unit = struct.unpack(">HHHB", frame[:7])
        assert (protocol, length, unit) == (0, len(frame) - 6, 17)
        return reply(number, frame[7:])

    port = MemoryPort(answer)

    async def main() -> None:
        exchanger = Exchanger(port, TCP)
        await exchanger.connect()
        await work(exchanger)

    run_virtual(main())
    return port


@pytest.mark.parametrize("cut", [1, 6, 7, 8, 14])
def test_an_answer_may_come_in_any_pieces(cut: int) -> None:
    async def work(exchanger: Exchanger) -> None:
        given = await exchanger.ask(BLOCK, WEIR)
        assert given.words == PDU[2:]

    hold(work, lambda n, _: [(0.1, mbap(n, 17, PDU)[:cut]), (0.3, mbap(n, 17, PDU)[cut:])])


def test_a_late_answer_is_passed_over_and_nothing_waits_for_it() -> None:
    late = bytes.fromhex("03 06 AA AA BB BB CC CC")

    async def work(exchanger: Exchanger) -> None:
        began = asyncio.get_running_loop().time()
        with pytest.raises(NoAnswer):
            await exchanger.ask(OTHER, WEIR)
        given = await exchanger.ask(BLOCK, WEIR)
        assert given.words == PDU[2:]
        assert asyncio.get_running_loop().time() - began < 3.0
        assert exchanger.debts.worst_lateness == pytest.approx(2.1)

    def reply(number: int, pdu: bytes) -> Iterable[Reply]:
        if number == 1:
            return []
        return [(0.1, mbap(1, 17, late)), (0.2, mbap(number, 17, PDU))]

    hold(work, reply)


def test_many_frames_in_one_reading_are_told_apart() -> None:
    async def work(exchanger: Exchanger) -> None:
        assert (await exchanger.ask(BLOCK, WEIR)).words == PDU[2:]
        assert isinstance(exchanger.debts, Transactions)
        assert exchanger.debts.strangers == 1

    stranger = mbap(777, 17, PDU)
    hold(work, lambda n, _: [(0.1, stranger + mbap(n, 17, PDU) + mbap(n, 17, PDU))])


@pytest.mark.parametrize(
    ("unit", "pdu"),
    [
        (18, PDU),
        (17, bytes.fromhex("04 06 02 2B 00 00 00 64")),
        (17, bytes.fromhex("03 04 02 2B 00 00")),
        (17, PDU[:-1]),
        (17, b"\x83"),
    ],
    ids=["unit", "function", "count", "short", "bare-exception"],
)
def test_a_frame_with_the_right_number_that_misfits_is_no_answer(unit: int, pdu: bytes) -> None:
    async def work(exchanger: Exchanger) -> None:
        with pytest.raises(GarbledAnswer):
            await exchanger.ask(BLOCK, WEIR)

    hold(work, lambda n, _: [(0.1, mbap(n, unit, pdu))])


@pytest.mark.parametrize(("code", "kind"), [(2, RefusedBySite), (4, DeviceFailure), (11, NoAnswer)])
def test_exceptions_mean_the_same_as_on_a_line(code: int, kind: type[Exception]) -> None:
    async def work(exchanger: Exchanger) -> None:
        with pytest.raises(kind):
            await exchanger.ask(BLOCK, WEIR)

    hold(work, lambda n, _: [(0.1, mbap(n, 17, bytes((0x83, code))))])


def test_something_else_than_modbus_is_a_gateways_fault_in_a_sentence() -> None:
    async def work(exchanger: Exchanger) -> None:
        with pytest.raises(GatewayUnreachable, match="not Modbus/TCP"):
            await exchanger.ask(BLOCK, WEIR)

    hold(work, lambda n, _: [(0.1, b"HTTP/1.1 400 Bad Request\r\n")])


def test_a_write_is_read_back_here_too() -> None:
    held = [0]

    def reply(number: int, pdu: bytes) -> Iterable[Reply]:
        if pdu[0] == 16:
            held[0] = int.from_bytes(pdu[6:8], "big")
            return [(0.1, mbap(number, 17, pdu[:5]))]
        return [(0.1, mbap(number, 17, bytes((3, 2)) + held[0].to_bytes(2, "big")))]

    async def work(exchanger: Exchanger) -> None:
        target = WriteTarget(Table.HOLDING, 5, 16)
        assert await write_and_read(exchanger, WriteRequest(17, target, (42,)), WEIR) == (
            True,
            (42,),
        )

    hold(work, reply)


def test_the_frame_is_what_a_second_library_reads() -> None:
    numbers = Transactions()
    frame = numbers.frame(BLOCK)
    _, pdu = FramerSocket(DecodePDU(is_server=True)).handleFrame(frame, 0, 0)
    assert pdu is not None
    assert (pdu.dev_id, pdu.address, pdu.count, pdu.transaction_id) == (17, 0x6B, 3, 1)


# --- a serial line: a pair of pseudo terminals, the far end played by pymodbus ---------------


@contextmanager
def serial_station(answers: bool = True) -> Iterator[str]:
    """Give the name of a serial port behind which unit 17 holds its own addresses."""
    ours, theirs = pty.openpty()
    tty.setraw(ours)
    tty.setraw(theirs)
    framer = FramerRTU(DecodePDU(is_server=True))

    def serve() -> None:
        buffer = b""
        while True:
            try:
                buffer += os.read(ours, 256)
            except OSError:
                return
            while len(buffer) >= 8:
                frame, buffer = buffer[:8], buffer[8:]
                _, pdu = framer.handleFrame(frame, 0, 0)
                if pdu is not None and answers:
                    words = list(range(pdu.address, pdu.address + pdu.count))
                    reply = registers.ReadHoldingRegistersResponse(registers=words, dev_id=17)
                    os.write(ours, framer.buildFrame(reply))

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield os.ttyname(theirs)
    finally:
        os.close(theirs)
        os.close(ours)


def serial_gateway(address: str) -> Gateway:
    return replace(
        GATEWAY,
        transport=Transport.SERIAL,
        address=address,
        baud=19_200,
        parity=Parity.NONE,
        reply_timeout_s=0.2,
    )


def test_a_station_on_a_serial_line_is_read() -> None:
    async def main(gateway: Gateway) -> bytes:
        exchanger = Exchanger(make_port(gateway), gateway)
        await exchanger.connect()
        try:
            given = await exchanger.ask(BLOCK, Station("Upper Weir", 17, 5.0))
            return given.words
        finally:
            exchanger.close()

    with serial_station() as address:
        words = asyncio.run(main(serial_gateway(address)))
    assert words == struct.pack(">3H", 0x6B, 0x6C, 0x6D)


def test_a_silent_serial_line_is_no_answer_and_stays_open() -> None:
    async def main(gateway: Gateway) -> None:
        exchanger = Exchanger(SerialPort(gateway), gateway)
        await exchanger.connect()
        with pytest.raises(NoAnswer):
            await exchanger.ask(BLOCK, Station("Upper Weir", 17, 0.1))
        with pytest.raises(NoAnswer):
            await exchanger.ask(BLOCK, Station("Upper Weir", 17, 0.1))
        exchanger.close()

    with serial_station(answers=False) as address:
        asyncio.run(main(serial_gateway(address)))


@pytest.mark.parametrize(
    ("address", "part"), [("/dev/does-not-exist", "plugged in"), ("/dev/null", "cannot be used")]
)
def test_a_serial_port_that_cannot_be_opened_says_why(address: str, part: str) -> None:
    async def main() -> None:
        with pytest.raises(GatewayUnreachable, match=part):
            await SerialPort(serial_gateway(address)).open(1.0)

    asyncio.run(main())


def test_a_line_that_is_unplugged_is_the_gateways_loss() -> None:
    async def main(gateway: Gateway, unplug: Callable[[], None]) -> None:
        port = SerialPort(gateway)
        await port.open(1.0)
        unplug()
        with pytest.raises(GatewayUnreachable):
            await port.receive(asyncio.get_running_loop().time() + 5.0)
        port.close()

    ours, theirs = pty.openpty()
    name = os.ttyname(theirs)
    os.close(theirs)
    asyncio.run(main(serial_gateway(name), lambda: os.close(ours)))


def test_a_modbus_tcp_server_of_another_make_is_polled() -> None:
    """A real socket: pymodbus frames on the far end, one connection."""
    listener = socket.create_server(("127.0.0.1", 0))
    framer = FramerSocket(DecodePDU(is_server=True))

    def serve() -> None:
        peer, _ = listener.accept()
        with peer:
            while data := peer.recv(256):
                _, pdu = framer.handleFrame(data, 0, 0)
                assert pdu is not None
                words = list(range(pdu.address, pdu.address + pdu.count))
                reply = registers.ReadHoldingRegistersResponse(registers=words, dev_id=pdu.dev_id)
                reply.transaction_id = pdu.transaction_id
                peer.sendall(framer.buildFrame(reply))

    threading.Thread(target=serve, daemon=True).start()
    host, port = listener.getsockname()
    gateway = replace(TCP, address=f"{host}:{port}")

    async def main() -> None:
        exchanger = Exchanger(make_port(gateway), gateway)
        await exchanger.connect()
        for start in (5, 100):
            given = await exchanger.ask(ReadRequest(9, Table.HOLDING, start, 2), WEIR)
            assert given.words == struct.pack(">2H", start, start + 1)
        exchanger.close()

    asyncio.run(main())
    listener.close()

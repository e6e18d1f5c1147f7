"""Exchanges a second with decoding and hand-over, against a general client's plain loop.

Both read the same twenty registers from one unpaced server in a process of its own, in turns
of a second, so that whatever else the machine does hits both alike. Ours runs whole: exchange
layer with its debts, decoding to values, and a queue as the storage's hand-over. The other is
pymodbus's asynchronous client over TCP with RTU frames, its registers decoded the same way.
"""

import asyncio
import multiprocessing
import socket
import time
from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection

from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient

from tallymast.benches.hostile import crc
from tallymast.benches.paced import REGISTERS, gateway, plan
from tallymast.domain.modbus.requests import ReadRequest
from tallymast.domain.model import Table
from tallymast.domain.readings import readings
from tallymast.polling.exchange import Exchanger, Station
from tallymast.polling.tcp import TcpPort

QUEUED = 4096


@dataclass
class _Side:
    """What one side has done so far."""

    exchanges: int = 0
    wall_s: float = 0.0
    cpu_s: float = 0.0


def run(seconds: int = 10) -> dict[str, object]:
    """Measure for ``seconds`` on each side.

    Returns:
        ``ours_per_s``, ``reference_per_s``, their ``ratio``, and CPU an exchange of each [µs].

    """
    near, far = multiprocessing.Pipe()
    server = multiprocessing.Process(target=_serve, args=(far,), daemon=True)
    server.start()
    try:
        port: int = near.recv()
        ours, reference = asyncio.run(_measure(port, seconds))
    finally:
        server.terminate()
        server.join()
    return {
        "ours_per_s": round(ours.exchanges / ours.wall_s, 1),
        "reference_per_s": round(reference.exchanges / reference.wall_s, 1),
        "ratio": round(
            (ours.exchanges / ours.wall_s) / (reference.exchanges / reference.wall_s), 3
        ),
        "ours_cpu_us": round(1e6 * ours.cpu_s / ours.exchanges, 1),
        "reference_cpu_us": round(1e6 * reference.cpu_s / reference.exchanges, 1),
    }


async def _measure(port: int, seconds: int) -> tuple[_Side, _Side]:
    polled = plan(1, 1.0, gateway(f"127.0.0.1:{port}", reply_timeout_s=0.2))
    one, wired = polled.gateways[0].sites[0], polled.gateways[0].gateway
    exchanger = Exchanger(TcpPort(wired.name, wired.address), wired)
    await exchanger.connect()
    client = AsyncModbusTcpClient("127.0.0.1", port=port, framer=FramerType.RTU)
    await client.connect()
    station, queue = Station("Bench", 1, 2.0), deque[object](maxlen=QUEUED)
    request = ReadRequest(1, Table.INPUT, 0, REGISTERS)

    async def ours() -> None:
        given = await exchanger.ask(request, station)
        queue.append(readings(one.layout, [given.words], [0], 0, 0, 60_000))

    async def reference() -> None:
        answer = await client.read_input_registers(0, count=REGISTERS, device_id=1)
        words = b"".join(word.to_bytes(2, "big") for word in answer.registers)
        queue.append(readings(one.layout, [words], [0], 0, 0, 60_000))

    sides = (_Side(), _Side())
    for _ in range(max(seconds, 1)):
        for side, work in zip(sides, (ours, reference), strict=True):
            await _for_a_second(side, work)
    exchanger.close()
    client.close()
    return sides


async def _for_a_second(side: _Side, work: Callable[[], Awaitable[None]]) -> None:
    began, cpu = time.perf_counter(), time.process_time()
    while time.perf_counter() - began < 1.0:
        await work()
        side.exchanges += 1
    side.wall_s += time.perf_counter() - began
    side.cpu_s += time.process_time() - cpu


def _serve(told: Connection) -> None:
    """Answer every request at once with the same twenty registers, one connection a thread."""
    import threading

    body = bytes([1, 4, 2 * REGISTERS]) + bytes(range(2 * REGISTERS))
    answer = body + crc(body)

    def one(peer: socket.socket) -> None:
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        while peer.recv(256):
            peer.sendall(answer)

    with socket.create_server(("127.0.0.1", 0)) as listener:
        told.send(listener.getsockname()[1])
        while True:
            peer, _ = listener.accept()
            threading.Thread(target=one, args=(peer,), daemon=True).start()

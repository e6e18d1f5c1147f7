"""Stations nobody here wrote: libmodbus in C and modbus-tk, each on a serial port of its own.

socat bridges a pseudo-terminal to a TCP port, as a serial device server does.
"""

import os
import shutil
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

SOURCE = Path(__file__).parent / "libmodbus" / "station.c"
UNIT = 17
BAUD = 9600


def must(command: str) -> str:
    """Return a program's path; skip (in CI: fail) where it is not installed."""
    found = shutil.which(command)
    if found is None:
        absent(f"{command} is not installed")
    return str(found)


def absent(what: str) -> None:
    """Skip with one clear line; in CI nothing may be skipped."""
    if os.environ.get("TALLYMAST_CI") == "1":
        pytest.fail(f"{what}, and CI may not skip this")
    pytest.skip(what)


@contextmanager
def serial_line(folder: Path) -> Iterator[tuple[Path, int]]:
    """Give a serial port and the TCP port it is bridged to."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    link = folder / "line"
    command = [
        must("socat"),
        "-d",
        "-d",
        f"PTY,link={link},raw,echo=0,b{BAUD}",
        f"TCP-LISTEN:{port},bind=127.0.0.1,reuseaddr",
    ]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as bridge:
        try:
            assert bridge.stderr is not None
            for line in bridge.stderr:  # it says when the second end listens
                if "listening on" in line:
                    break
            yield link, port
        finally:
            bridge.terminate()
            bridge.communicate(timeout=10)


@contextmanager
def libmodbus_station(folder: Path) -> Iterator[int]:
    """Build and run the C station; give the TCP port behind which it answers."""
    program = folder / "station"
    built = subprocess.run(
        [must("cc"), "-O1", "-o", program, SOURCE, "-lmodbus"],
        capture_output=True,
        text=True,
        check=False,
    )
    if built.returncode:
        absent(f"libmodbus cannot be built against: {built.stderr.strip().splitlines()[0]}")
    with serial_line(folder) as (link, port):
        command = [program, link, str(BAUD), str(UNIT)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as station:
            try:
                assert station.stdout is not None
                assert station.stdout.readline() == "ready\n"
                yield port
            finally:
                station.kill()
                station.communicate(timeout=10)


@contextmanager
def modbus_tk_station(folder: Path) -> Iterator[int]:
    """Run the Python station with the same map; give the TCP port behind which it answers."""
    serial = pytest.importorskip("serial", reason="pyserial is not installed")
    pytest.importorskip("modbus_tk", reason="modbus-tk is not installed")
    from modbus_tk import defines
    from modbus_tk.modbus_rtu import RtuServer

    with serial_line(folder) as (link, port):
        server = RtuServer(serial.Serial(str(link), BAUD, timeout=1))
        slave = server.add_slave(UNIT)
        slave.add_block("inputs", defines.ANALOG_INPUTS, 0, 16)
        slave.set_values("inputs", 0, [1000 + n for n in range(16)])
        slave.add_block("holdings", defines.HOLDING_REGISTERS, 0, 16)
        slave.set_values("holdings", 0, [2000 + n for n in range(16)])
        slave.add_block("discretes", defines.DISCRETE_INPUTS, 0, 16)
        slave.set_values("discretes", 0, [n % 2 == 0 for n in range(16)])
        slave.add_block("coils", defines.COILS, 0, 16)
        server.start()
        try:
            yield port
        finally:
            server.stop()

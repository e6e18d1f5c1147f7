"""Starts the real commands as a person does, and waits on what they say, never on time."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import pytest

READY = "Tallymast is ready at "
STREAM_LIMIT_S = 60.0  # how long a journey may wait for something to happen at all


@dataclass
class Command:
    """A running ``tallymast`` command; ``lines`` is what it has said so far."""

    process: subprocess.Popen[str]
    lines: list[str] = field(default_factory=list)

    def wait_for(self, start: str) -> str:
        """Return the rest of the first line that begins with ``start``."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.rstrip("\n"))
            if line.startswith(start):
                return line.rstrip("\n").removeprefix(start)
        errors = self.process.stderr.read() if self.process.stderr else ""
        raise AssertionError(f"it ended without saying {start!r}:\n{self.lines}\n{errors}")

    def ended(self) -> int:
        """Wait until it ends by itself; return the exit code."""
        self.process.communicate(timeout=60)
        return self.process.returncode

    def stop(self, how: int = signal.SIGINT) -> int:
        """Send a signal, wait for the end, return the exit code."""
        if self.process.poll() is None:
            self.process.send_signal(how)
        self.process.communicate(timeout=30)
        return self.process.returncode


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Callable[..., Command]]:
    """Start ``tallymast ARGUMENTS`` in a directory of its own; ended with the test.

    ``under`` is a program and its options that start the command, such as a tracer.
    """
    started: list[Command] = []
    environment = {k: v for k, v in os.environ.items() if not k.startswith("TALLYMAST_")}
    environment |= {"XDG_DATA_HOME": str(tmp_path / "home"), "PYTHONWARNINGS": "default"}

    def start(*arguments: str | Path, under: Sequence[str] = ()) -> Command:
        process = subprocess.Popen(
            [*under, sys.executable, "-m", "tallymast", *map(str, arguments)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment,
            cwd=tmp_path,
        )
        started.append(Command(process))
        return started[-1]

    yield start
    for command in started:
        if command.process.poll() is None:
            command.process.kill()
        command.process.communicate(timeout=30)


def watch(base: str, is_reached: Callable[[httpx.Client], bool]) -> None:
    """Ask ``is_reached`` after every event of the live stream until it is true."""
    with httpx.Client(base_url=base, timeout=STREAM_LIMIT_S) as client:
        if is_reached(client):
            return
        with httpx.stream("GET", f"{base}/stream/round", timeout=STREAM_LIMIT_S) as stream:
            for line in stream.iter_lines():
                if (not line or line.startswith(":")) and is_reached(client):
                    return
    raise AssertionError("the stream ended before it happened")


def truth_of(path: Path) -> list[dict[str, object]]:
    """Return the simulator's own record, line by line."""
    return [json.loads(line) for line in path.read_text().splitlines()]

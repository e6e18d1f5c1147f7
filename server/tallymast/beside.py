"""Processes that run beside the demo: the simulated radio network, and the writing of its past.

Both end with the process that started them, however that ends.
"""

import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from tallymast.demo.filling import ENDED
from tallymast.domain.errors import ConfigError
from tallymast.settings import Settings

_BROKEN: Final = (
    "Writing the demo's older days has ended by a fault; what it said stands where the demo was"
    " started. The rest is written when the demo is started again."
)


@contextmanager
def simulator(network: Path, *more: str) -> Iterator[Callable[[], dict[str, str]]]:
    """Run a simulated radio network in a process of its own.

    Args:
        network: its network file.
        more: further options of `tallymast simulate`.

    Yields:
        A function that waits until it listens and gives each gateway's address, by key.

    """
    command = [
        *(sys.executable, "-m", "tallymast", "simulate", "--network", str(network)),
        *("--any-port", "--until-stdin-ends", *more),
    ]
    process = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stdin=subprocess.PIPE,  # closed with this process, however that ends; then it ends too
        text=True,
        start_new_session=True,  # Ctrl-C reaches the poller first
    )
    try:
        yield lambda: _addresses(process)
    finally:
        process.terminate()
        with suppress(BrokenPipeError):
            process.communicate(timeout=10)


@contextmanager
def older_days(settings: Settings) -> Iterator["OlderDays"]:
    """Write the demo's older days in a process of its own; give what is to be said of it."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tallymast", "demo-past", "--data-dir", str(settings.data_dir)],
        stdout=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
        text=True,
        start_new_session=True,
    )
    watch = OlderDays(process)
    watch.start()
    try:
        yield watch
    finally:
        process.terminate()
        process.wait(timeout=10)
        watch.join()


class OlderDays(threading.Thread):
    """Reads how far the older days are written.

    Attributes:
        words: what is to be said of it; empty when there is nothing. A day that is missing at the
            end is said for as long as the demo runs.
        is_there: whether all of them have been written.

    """

    def __init__(self, process: subprocess.Popen[str]) -> None:
        super().__init__(name="older-days", daemon=True)
        self._process = process
        self.words = ""
        self.is_there = False

    def run(self) -> None:
        """Read until the process ends."""
        assert self._process.stdout is not None
        last = _BROKEN
        for line in self._process.stdout:
            if line.startswith(ENDED):
                last = line.removeprefix(ENDED).strip()
            else:
                self.words = progress(*line.strip().partition(": ")[::2])
        ended = self._process.wait()
        self.words = last if ended > 0 else ""  # less than 0: this process has ended it
        self.is_there = ended == 0


def progress(counts: str, said: str = "") -> str:
    """Return what is said of ``12 of 60`` days, with a sentence of what waits."""
    done, _, whole = counts.partition(" of ")
    if done == whole or not whole:
        return said
    words = f"The demo's older days are being written: {done} of {whole} are there."
    return f"{words} {said}".strip()


def _addresses(process: subprocess.Popen[str]) -> dict[str, str]:
    found = {}
    assert process.stdout is not None
    for line in process.stdout:
        key, separator, address = line.rstrip("\n").partition(" listens at ")
        if separator:
            found[key] = address
        if line == "ready\n":
            return found
    raise ConfigError("The simulated radio network did not start; what it said stands above.")

"""Starts ``tallymast serve`` quickly, so that hundreds of kills cost minutes.

Of a start's 4.1 s of CPU, 3.8 s are reading the program's files. A process that has read them
once is forked for each start (``multiprocessing``'s fork server): from its arguments on the
child does what the command does, on its own, and is killed as any process is.
"""

import multiprocessing
import os
import signal
import sys
import threading
from multiprocessing.connection import Connection
from typing import Final

_FORKED: Final = multiprocessing.get_context("forkserver")
_READ: Final = ["tallymast.cli", __name__]  # before the first fork
_END_S: Final = 60.0
_MOST: Final = 4096


class Served:
    """One ``tallymast serve`` with these options, running."""

    def __init__(self, options: list[str]) -> None:
        _FORKED.set_forkserver_preload(_READ)
        self._said, out = _FORKED.Pipe(duplex=False)
        arguments = ["serve", *options]
        self._process = _FORKED.Process(target=_serve, args=(out, arguments), daemon=True)
        self._process.start()
        out.close()

    def line(self, most_s: float) -> str:
        """Return what it says first on its standard output; empty if it says nothing in time."""
        if not self._said.poll(most_s):
            return ""
        return os.read(self._said.fileno(), _MOST).decode().partition("\n")[0]

    def kill(self) -> None:
        """End it as a power cut does, and wait for that.

        Raises:
            RuntimeError: it had ended by itself.

        """
        self._process.kill()  # SIGKILL
        self._process.join(_END_S)
        self._said.close()
        if self._process.exitcode != -signal.SIGKILL:
            raise RuntimeError(f"serve ended by itself: {self._process.exitcode}.")


def _serve(out: Connection, arguments: list[str]) -> None:
    """Be the command, from its arguments on, with its own standard output."""
    os.dup2(out.fileno(), 1)
    sys.stdout = os.fdopen(1, "w", closefd=False)
    os.environ.setdefault("TALLYMAST_LOG", "ERROR")  # each start warns of what the kill left
    threading.Thread(target=_end_with_the_bench, daemon=True).start()
    from tallymast import cli

    sys.exit(cli.run(arguments))


def _end_with_the_bench() -> None:
    """Leave nothing running where the bench itself is ended."""
    bench = multiprocessing.parent_process()
    if bench is not None:
        bench.join()
        os._exit(1)

"""Loads pages all the time, by several clients in a process of their own, as browsers are.

Run as ``python -m tallymast.benches.loaders BASE PATH …``; ends when its stdin does. In the
server's own process the clients would take the interpreter's lock from what is measured.
"""

import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import httpx

CLIENTS = 4


@contextmanager
def loading(base: str, paths: Sequence[str]) -> Iterator[None]:
    """Load these pages for a block, each client the next one as soon as it has the last."""
    command = [sys.executable, "-m", "tallymast.benches.loaders", base, *paths]
    process = subprocess.Popen(command, stdin=subprocess.PIPE)
    try:
        yield
    finally:
        process.communicate(timeout=60)


def _load(base: str, paths: Sequence[str]) -> None:
    ended = threading.Event()

    def client(first: int) -> None:
        with httpx.Client(base_url=base, timeout=30) as asking:
            n = first
            while not ended.is_set():
                asking.get(paths[n % len(paths)])
                n += 1

    threads = [threading.Thread(target=client, args=(n,), daemon=True) for n in range(CLIENTS)]
    for thread in threads:
        thread.start()
    sys.stdin.read()
    ended.set()
    for thread in threads:
        thread.join()


if __name__ == "__main__":
    _load(sys.argv[1], sys.argv[2:])

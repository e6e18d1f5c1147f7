"""What is acknowledged is on the disk: the operating system's own record of who did what when.

SQLite writes a commit's frames into the write-ahead log; with ``synchronous=FULL`` it then
waits for the disk (https://www.sqlite.org/pragma.html#pragma_synchronous). The trace shows
that the reply leaves only after that wait has ended.
"""

import re
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from tests.journeys.conftest import READY, Command
from tests.journeys.stations import must

NETWORK = """
title = "One gate"
time_zone = "UTC"

[[gateway]]
key = "mast"
transport = "rtu-over-tcp"
address = "127.0.0.1:1"

[[site]]
key = "heron-gate"
gateway = "mast"
unit = 3
profile = "gate"

[[profile]]
key = "gate"

  [[profile.point]]
  tag = "LVL"
  kind = "analog-input"
  table = "input"
  register = 4
  layout = "uint16"
"""
CALLS = "fdatasync,fsync,pwrite64,recvfrom,recvmsg,read,sendto,sendmsg,write,writev"
WAL = "tallymast.sqlite3-wal>"
BEGUN = re.compile(r"(?P<pid>\d+) +(?P<name>\w+)\((?P<rest>.*)")
RESUMED = re.compile(r"(?P<pid>\d+) +<\.\.\. (?P<name>\w+) resumed>(?P<rest>.*)")
UNFINISHED = "<unfinished ...>"


@dataclass
class Call:
    """One call of the system: the lines of the trace on which it began and ended."""

    pid: str
    name: str
    text: str
    begun: int
    ended: int

    @property
    def answer(self) -> str:
        return self.text.rpartition(" = ")[2]


def calls(trace: str) -> list[Call]:
    """Every call in the order in which they began."""
    found: list[Call] = []
    waiting: dict[str, Call] = {}
    for number, line in enumerate(trace.splitlines()):
        if resumed := RESUMED.match(line):
            call = waiting.pop(resumed["pid"])
            call.text += resumed["rest"]
            call.ended = number
        elif begun := BEGUN.match(line):
            call = Call(begun["pid"], begun["name"], begun["rest"], number, number)
            found.append(call)
            if call.text.endswith(UNFINISHED):
                call.text = call.text.removesuffix(UNFINISHED)
                waiting[call.pid] = call
    return found


def first(some: list[Call], names: tuple[str, ...], text: str, after: int = -1) -> Call:
    wanted = (call for call in some if call.name in names and text in call.text)
    found = next((call for call in wanted if call.begun > after), None)
    assert found is not None, f"nothing of {names} with {text!r} after line {after}"
    return found


def assert_stored_before_the_reply(some: list[Call], request: str, words: str) -> None:
    """Request read, its words written to the log, the disk waited for, then the reply."""
    asked = first(some, ("recvfrom", "recvmsg", "read"), f"POST {request}")
    reply = first(some, ("sendto", "sendmsg", "write", "writev"), "HTTP/1.1 201", asked.begun)
    # As part of a page of the log; before the socket's line has ended nobody could know them.
    written = first(some, ("pwrite64",), words, asked.begun)
    assert WAL in written.text
    same = [call for call in some if call.pid == written.pid and WAL in call.text]
    last_write = max(call.ended for call in same if call.name == "pwrite64" and inside(call, reply))
    waits = [
        call
        for call in same
        if call.name in ("fdatasync", "fsync") and call.begun > last_write and inside(call, reply)
    ]
    assert waits, "the reply left before the log was on the disk"
    assert waits[-1].answer == "0"


def inside(call: Call, reply: Call) -> bool:
    return call.ended < reply.begun


@pytest.fixture
def traced(run: Callable[..., Command], tmp_path: Path) -> tuple[Command, Path]:
    strace = must("strace")
    if subprocess.run([strace, "-o", "/dev/null", "true"], check=False).returncode:
        pytest.skip("strace may not trace here (ptrace is forbidden)")
    (tmp_path / "network.toml").write_text(NETWORK)
    trace = tmp_path / "trace"
    # -D: the command stays our own child; its pipes close when the tracer has written all.
    under = (strace, "-D", "-f", "-y", "-s", "9000", "-e", f"trace={CALLS}", "-o", str(trace))
    network = ("--network", tmp_path / "network.toml", "--data-dir", tmp_path)
    return run("serve", *network, "--port", "0", under=under), trace


def test_an_acknowledged_write_is_on_the_disk_before_its_reply(
    traced: tuple[Command, Path],
) -> None:
    served, trace = traced
    base = served.wait_for(READY)
    site = "/api/v1/sites/heron-gate"
    until = datetime.now(UTC) + timedelta(days=1)
    note = {"kind": "visit", "text": "Gauge read by hand"}
    act = {"reason": "Fuse clip tightened", "until": until.isoformat()}
    for path, body in ((f"{site}/notes", note), (f"{site}/maintenance", act)):
        reply = httpx.post(f"{base}{path}", json=body, timeout=60)
        assert reply.status_code == 201, reply.text
    assert served.stop() == 0
    some = calls(trace.read_text(errors="replace"))
    assert_stored_before_the_reply(some, f"{site}/notes", note["text"])
    assert_stored_before_the_reply(some, f"{site}/maintenance", act["reason"])


LINES = """\
7 recvfrom(9<socket:[1]>, "POST /x HTTP/1.1", 65536, 0, NULL, NULL) = 16
8 pwrite64(5</d/tallymast.sqlite3-wal>, "..words..", 9, 0) = 9
8 fdatasync(5</d/tallymast.sqlite3-wal> <unfinished ...>
7 read(3</dev/null>, "", 1) = 0
8 <... fdatasync resumed>) = 0
7 sendto(9<socket:[1]>, "HTTP/1.1 201 Created", 20, 0, NULL, 0) = 20
""".splitlines()


@pytest.mark.parametrize(
    ("order", "says"),
    [
        ((0, 1, 2, 3, 4, 5), None),
        ((0, 1, 2, 3, 5, 4), "before the log was on the disk"),
        ((0, 1, 5), "before the log was on the disk"),
        ((0, 2, 4, 1, 5), "before the log was on the disk"),
        ((0, 2, 4, 5), "nothing of"),
    ],
)
def test_a_reply_that_leaves_too_early_is_seen(order: tuple[int, ...], says: str | None) -> None:
    some = calls("\n".join(LINES[number] for number in order))
    if says is None:
        assert_stored_before_the_reply(some, "/x", "words")
        return
    with pytest.raises(AssertionError, match=says):
        assert_stored_before_the_reply(some, "/x", "words")

"""Kills a writing process at random instants and looks at what is left.

A child process stores polls through the writer thread and, beside it, jobs one by one, telling
each on its standard output once it is committed: those are what was acknowledged. Before every
other kill it is stopped, and its files are copied as any program may copy them: database and
write-ahead log, without the index in shared memory; the others strike it running.
``closing.py`` kills what closes hours.
"""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path
from random import Random

from tallymast import assets, networks, running, wiring
from tallymast.benches.closing import kill_closing
from tallymast.domain.model import Outcome, Poll, PollDone, PollFlag, SiteState, SiteStatus
from tallymast.storage import hours, jobs
from tallymast.storage.engine import open_database
from tallymast.storage.polls import polls_between
from tallymast.storage.writer import Writer

NETWORK = "ombrel-basin.toml"
LONGEST_S = 2.5
SITE = 1  # one of those whose polls are stored


def run(times: int = 100, seed: int = 1, closing: int = 50) -> dict[str, object]:
    """Kill a writer ``times`` times, each on the database the last one left.

    Args:
        times: how many kills of a process that stores.
        seed: of every chance in it.
        closing: how many kills of a process that closes hours.

    Returns:
        ``integrity_ok``: after how many kills the file was whole; ``copies_whole`` of
        ``copies`` taken of a stopped process were whole and held all that was acknowledged;
        ``lost_acknowledged``: rows told as committed and not there; ``lost_seconds_max``: the
        most recent polls lost; ``holes``: polls lost though later ones are there.
        What ``closing.kill_closing`` says besides.

    """
    chance = Random(seed)
    whole = copies = lost = holes = 0
    lost_s = 0.0
    with tempfile.TemporaryDirectory() as folder:
        file, copy = Path(folder) / "tallymast.sqlite3", Path(folder) / "copy.sqlite3"
        _prepare(file)
        for n in range(times):
            seconds = 0.3 + LONGEST_S * chance.random()
            told, times_ms = _killed_after(file, copy if _is_copied(n) else None, n, seconds)
            copies += _is_copied(n) and _is_whole(copy) and not _missing(copy, told)
            whole += _is_whole(file)
            lost += _missing(file, told)
            tail_s, gone = _lost(file, times_ms)
            lost_s, holes = max(lost_s, tail_s), holes + gone
        closed = kill_closing(closing, chance, Path(folder))
    return {
        "times": times,
        "integrity_ok": whole,
        "copies": sum(map(_is_copied, range(times))),
        "copies_whole": copies,
        "lost_acknowledged": lost,
        "lost_seconds_max": round(lost_s, 2),
        "holes": holes,
        **closed,
    }


def _prepare(file: Path) -> None:
    network = assets.demo_data() / NETWORK
    database = open_database(file)
    networks.bring_network(database, running.read_text(network), network.name)
    database.close()


def _is_copied(n: int) -> bool:
    return n % 2 == 0


def _killed_after(
    file: Path, copy: Path | None, n: int, seconds: float
) -> tuple[list[int], list[int]]:
    """Run the child for a while, perhaps stop it and copy its files, and kill it.

    Returns:
        The jobs it told, and when the rounds of polls before each were.

    """
    command = [sys.executable, "-m", "tallymast.benches.kill", str(file), str(n)]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    child.stdout.readline()  # it has opened the database
    time.sleep(seconds)
    if copy is not None:
        _copy_stopped(child.pid, file, copy)
    child.kill()
    said = [line.split() for line in child.communicate()[0].splitlines()]
    told = [int(line[1]) for line in said if len(line) == 3 and line[0] == "job"]
    return told, [int(line[2]) for line in said if len(line) == 3]


def _copy_stopped(pid: int, file: Path, copy: Path) -> None:
    """Stop a process, wait until all its threads stand still, and copy what it writes."""
    os.kill(pid, signal.SIGSTOP)
    os.waitpid(pid, os.WUNTRACED)
    for end in ("", "-wal", "-shm"):
        mine = copy.with_name(copy.name + end)
        mine.unlink(missing_ok=True)
        if end != "-shm" and file.with_name(file.name + end).exists():
            shutil.copyfile(file.with_name(file.name + end), mine)


def _is_whole(file: Path) -> bool:
    with closing(sqlite3.connect(file)) as connection:
        return connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def _missing(file: Path, told: list[int]) -> int:
    with closing(sqlite3.connect(file)) as connection:
        there = {row[0] for row in connection.execute("SELECT id FROM job")}
    return len(set(told) - there)


def _lost(file: Path, times_ms: list[int]) -> tuple[float, int]:
    """Return how many seconds of polls before the kill are not there, and holes before those."""
    if not times_ms:
        return 0.0, 0
    database = open_database(file)
    with database.reading() as connection:
        page = polls_between(connection, SITE, times_ms[0], times_ms[-1] + 1, len(times_ms))
    database.close()
    stored = {poll.at_ms for poll in page.items}
    newest = max(stored, default=times_ms[0])
    holes = sum(at_ms < newest and at_ms not in stored for at_ms in times_ms)
    return (times_ms[-1] - newest) / 1000, holes


def write_until_killed(file: Path, n: int) -> None:
    """Store polls of every site, close hours, and acknowledge jobs, until killed."""
    database = open_database(file)
    _, plan = networks.load_network(database)
    sites = [site for gateway in plan.gateways for site in gateway.sites]
    writer = Writer(database)
    writer.start()
    print("open", flush=True)
    begin_ms = wiring.now_ms()
    while True:
        now_ms = wiring.now_ms()
        for site in sites:
            state = SiteState(site.site_id, SiteStatus.IN_SERVICE, now_ms, site.layout.id, now_ms)
            words = b"\x2e\xe0" * site.layout.blocks[0].words
            poll = Poll(
                site.site_id,
                now_ms,
                Outcome.FIRST_TRY,
                PollFlag.NONE,
                1,
                80.0,
                site.layout.id,
                1,
                0,
                words,
            )
            writer.put(PollDone(poll, state))
        with database.writing() as connection:
            job = jobs.ask(connection, "poll", site_id=1, actor="bench", at_ms=now_ms)
        print("job", job.id, now_ms, flush=True)
        if (now_ms - begin_ms) // 400 % 2:
            hours.close_hours(database, now_ms + 2 * 3_600_000 + n)
        time.sleep(0.02)


if __name__ == "__main__":
    write_until_killed(Path(sys.argv[1]), int(sys.argv[2]))

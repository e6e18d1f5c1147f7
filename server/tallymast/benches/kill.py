"""Kills a writing process at random instants and looks at what is left.

A child process stores polls through the writer thread and, beside it, jobs one by one, telling
each on its standard output once it is committed: those are what was acknowledged. Just before
each kill it is stopped, and its files are copied as any program may copy them: database and
write-ahead log, without the index in shared memory. ``closing.py`` kills what closes hours.
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

from tallymast import assets, running, wiring
from tallymast.benches.closing import kill_closing
from tallymast.domain.model import Outcome, Poll, PollDone, PollFlag, SiteState, SiteStatus
from tallymast.storage import hours, jobs
from tallymast.storage.engine import open_database
from tallymast.storage.writer import Writer

NETWORK = "ombrel-basin.toml"
LONGEST_S = 2.5


def run(times: int = 100, seed: int = 1, closing: int = 50) -> dict[str, object]:
    """Kill a writer ``times`` times, each on the database the last one left.

    Args:
        times: how many kills of a process that stores.
        seed: of every chance in it.
        closing: how many kills of a process that closes hours.

    Returns:
        ``integrity_ok``: after how many kills the file was whole; ``copies_whole``: how many
        copies, taken at the instant of a kill, were whole and held all that was acknowledged;
        ``lost_acknowledged``: rows told as committed and not there; ``lost_seconds_max``: the
        most recent polls lost. What ``closing.kill_closing`` says besides.

    """
    chance = Random(seed)
    whole = copies = lost = 0
    lost_s = 0.0
    with tempfile.TemporaryDirectory() as folder:
        file, copy = Path(folder) / "tallymast.sqlite3", Path(folder) / "copy.sqlite3"
        _prepare(file)
        for n in range(times):
            seconds = 0.3 + LONGEST_S * chance.random()
            told, (first_ms, last_ms) = _killed_after(file, copy, n, seconds)
            copies += _is_whole(copy) and not _missing(copy, told)
            whole += _is_whole(file)
            lost += _missing(file, told)
            lost_s = max(lost_s, _lost_s(file, first_ms, last_ms))
        closed = kill_closing(closing, chance, Path(folder))
    return {
        "times": times,
        "integrity_ok": whole,
        "copies_whole": copies,
        "lost_acknowledged": lost,
        "lost_seconds_max": round(lost_s, 2),
        **closed,
    }


def _prepare(file: Path) -> None:
    network = assets.demo_data() / NETWORK
    database = open_database(file)
    wiring.bring_network(database, running.read_text(network), network.name)
    database.close()


def _killed_after(
    file: Path, copy: Path, n: int, seconds: float
) -> tuple[list[int], tuple[int, int]]:
    """Run the child for a while, stop it, copy its files, and kill it.

    Returns:
        The jobs it told, and when its first and its last poll were.

    """
    command = [sys.executable, "-m", "tallymast.benches.kill", str(file), str(n)]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    child.stdout.readline()  # it has opened the database
    time.sleep(seconds)
    _copy_stopped(child.pid, file, copy)
    child.kill()
    said = [line.split() for line in child.communicate()[0].splitlines()]
    told = [int(line[1]) for line in said if len(line) == 3 and line[0] == "job"]
    times = [int(line[2]) for line in said if len(line) == 3]
    return told, (min(times, default=0), max(times, default=0))


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


def _lost_s(file: Path, first_ms: int, last_ms: int) -> float:
    """Return how many seconds of polls before the kill are not there."""
    query = (
        "SELECT max(last_ms) FROM (SELECT max(at_ms) AS last_ms FROM poll"
        " UNION ALL SELECT max(last_ms) FROM chunk)"
    )
    with closing(sqlite3.connect(file)) as connection:
        stored = connection.execute(query).fetchone()[0] or 0
    return max(0.0, (last_ms - max(stored, first_ms)) / 1000)


def write_until_killed(file: Path, n: int) -> None:
    """Store polls of every site, close hours, and acknowledge jobs, until killed."""
    database = open_database(file)
    _, plan = wiring.load_network(database)
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

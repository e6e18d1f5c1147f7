"""How small and how cheap the record is: bytes a sample, CPU a poll, bytes written a poll.

Each poll holds 4 discretes, 2 totalizers, 2 constants and 6 analogs that wander by sigma counts
from one poll to the next: 14 points, polled every 10 s by one site a run.
"""

import os
import resource
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
from sqlalchemy import Connection

from tallymast.domain import network_file
from tallymast.domain.model import (
    Outcome,
    Poll,
    PollDone,
    PollFlag,
    SitePlan,
    SiteState,
    SiteStatus,
)
from tallymast.domain.read_plan import read_plan
from tallymast.storage import hours, network
from tallymast.storage.engine import Database, open_database
from tallymast.storage.history import store_history
from tallymast.storage.polls import polls_between
from tallymast.storage.readings import raw_series
from tallymast.storage.span_readings import hour_series
from tallymast.storage.writer import Writer

EVERY_MS = 10_000
DAY_MS = 86_400_000
END_MS = 1_772_928_000_000  # 2026-03-08 00:00 UTC
POINTS = 14
SIGMAS = (1, 5, 20)


def run(days: int = 7, sigma: int = 5) -> dict[str, object]:
    """Store ``days`` of one site's polls, then poll on top of them.

    Returns:
        ``bytes_per_sample`` at ``sigma`` and, in ``by_sigma``, at 1, 5 and 20; ``file_bytes``;
        ``cpu_us_per_poll`` and ``written_bytes_per_poll`` of 600 polls stored 6 a commit on
        the full database; ``pages_ms`` warm and cold.

    """
    by_sigma = {str(one): _size(days, one)[1] for one in SIGMAS if one != sigma}
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "tallymast.sqlite3"
        database, plan = _filled(file, days, sigma)
        cost = _cost(database, plan)
        pages = _pages(database, plan)
        database.close()  # which empties the write-ahead log into the file
        file_bytes = file.stat().st_size
        per_sample = _chunk_bytes(file) / (days * DAY_MS // EVERY_MS * POINTS)
    by_sigma[str(sigma)] = round(per_sample, 4)
    return {
        "bytes_per_sample": round(per_sample, 4),
        "by_sigma": by_sigma,
        "file_bytes": file_bytes,
        **cost,
        "pages_ms": pages,
    }


def _size(days: int, sigma: int) -> tuple[int, float]:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "tallymast.sqlite3"
        database, _ = _filled(file, days, sigma)
        database.close()
        stored = _chunk_bytes(file)
    return stored, round(stored / (days * DAY_MS // EVERY_MS * POINTS), 4)


def _chunk_bytes(file: Path) -> int:
    with closing(sqlite3.connect(file)) as connection:
        return int(connection.execute("SELECT sum(length(body)) FROM chunk").fetchone()[0])


def _filled(file: Path, days: int, sigma: int) -> tuple[Database, SitePlan]:
    database = open_database(file)
    written, whole = network_file.read(_network(), "bench")
    with database.writing() as connection:
        network.store_network(
            connection,
            written,
            whole,
            actor="bench",
            source="file",
            at_ms=END_MS,
            plan_blocks=read_plan,
        )
    with database.reading() as connection:
        plan = network.load_plan(connection, whole).gateways[0].sites[0]
    polls = _polls(plan, END_MS - days * DAY_MS, END_MS, sigma)
    store_history(database, plan.site_id, plan.layout, polls)
    hours.close_hours(database, END_MS + 3 * DAY_MS)
    return database, plan


def _network() -> str:
    head = (
        'title = "Bench"\ntime_zone = "UTC"\n'
        '[[gateway]]\nkey = "mast"\ntransport = "rtu-over-tcp"\naddress = "127.0.0.1:1"\n'
        '[[profile]]\nkey = "all"\n'
    )
    rows = [("discrete-input", "bool", f"bit = {n}\n", 0) for n in range(4)]
    rows += [("totalizer", "uint32", "", 1 + 2 * n) for n in range(2)]
    rows += [("counter", "uint16", "", 5 + n) for n in range(2)]
    rows += [("analog-input", "uint16", "", 7 + n) for n in range(6)]
    points = "".join(
        f'[[profile.point]]\ntag = "P{n}"\nkind = "{kind}"\ntable = "input"\nregister = {place}\n'
        f'layout = "{layout}"\n{more}'
        for n, (kind, layout, more, place) in enumerate(rows)
    )
    return (
        f'{head}{points}[[site]]\nkey = "site"\ngateway = "mast"\nunit = 1\nprofile = "all"\n'
        "poll_every_s = 10\n"
    )


def _polls(plan: SitePlan, from_ms: int, to_ms: int, sigma: int) -> Iterator[Poll]:
    chance = np.random.default_rng(sigma)
    totals, level = np.zeros(2, np.int64), np.full(6, 12_000.0)
    for day_ms in range(from_ms, to_ms, DAY_MS):
        n = DAY_MS // EVERY_MS
        words = np.zeros((n, 13), ">u2")
        words[:, 0] = np.repeat(chance.integers(0, 16, n // 360 + 1), 360)[:n]
        counts = totals + np.cumsum(chance.poisson((3.0, 20.0), (n, 2)), axis=0)
        totals = counts[-1]
        words[:, [1, 3]], words[:, [2, 4]] = counts >> 16, counts & 0xFFFF
        words[:, 5:7] = (3, 312)
        noise = level + np.round(chance.normal(0.0, sigma, (n, 6)))
        words[:, 7:] = np.clip(noise, 4000, 20000)
        answers = 140.0 + np.round(chance.gamma(2.0, 6.0, n), 1)
        missed = chance.random(n) < 0.01
        for k in range(n):
            at_ms = day_ms + k * EVERY_MS + int(chance.integers(0, 40))
            yield _poll(plan, at_ms, None if missed[k] else float(answers[k]), words[k].tobytes())


def _poll(plan: SitePlan, at_ms: int, answer_ms: float | None, words: bytes) -> Poll:
    if answer_ms is None:
        outcome, got, words = Outcome.NO_ANSWER, 0, b""
    else:
        outcome, got = Outcome.FIRST_TRY, (1 << len(plan.layout.blocks)) - 1
    return Poll(
        plan.site_id,
        at_ms,
        outcome,
        PollFlag.NONE,
        1 if got else 3,
        answer_ms,
        plan.layout.id,
        got,
        0,
        words,
    )


def _cost(database: Database, plan: SitePlan) -> dict[str, object]:
    """Store 600 polls, 6 a commit; return CPU and bytes written a poll."""
    state = SiteState(plan.site_id, SiteStatus.IN_SERVICE, END_MS, plan.layout.id)
    polls = list(_polls(plan, END_MS, END_MS + DAY_MS, 5))[:600]
    writer = Writer(database)
    writer.start()
    written, cpu = _written_bytes(), time.process_time()
    for n in range(0, 600, 6):
        for poll in polls[n : n + 6]:
            writer.put(PollDone(poll, replace(state, last_poll_ms=poll.at_ms)))
        writer.flush()
    cpu, written = time.process_time() - cpu, _written_bytes() - written
    writer.stop()
    return {
        "cpu_us_per_poll": round(cpu / 600 * 1e6, 1),
        "written_bytes_per_poll": round(written / 600),
    }


def _written_bytes() -> int:
    """Return bytes this process has handed to the disk, by the system's own account."""
    try:
        fields = Path("/proc/self/io").read_text(encoding="ascii").split()
        return int(fields[fields.index("write_bytes:") + 1])
    except (OSError, ValueError):
        return resource.getrusage(resource.RUSAGE_SELF).ru_oublock * 512


def _pages(database: Database, plan: SitePlan) -> dict[str, dict[str, float]]:
    site, end = plan.site_id, END_MS
    reads: dict[str, Callable[[Connection], object]] = {
        "raw_24h": lambda c: raw_series(c, site, "P8", end - DAY_MS, end),
        "hours_30d": lambda c: hour_series(c, site, "P8", end - 30 * DAY_MS, end),
        "polls_100": lambda c: polls_between(c, site, 0, end, 100, newest_first=True),
    }
    found: dict[str, dict[str, float]] = {}
    for name, read in reads.items():
        took = []
        _forget(database)
        for _ in range(12):
            began = time.perf_counter()
            with database.reading() as connection:
                read(connection)
            took.append(1000 * (time.perf_counter() - began))
        found[name] = {"cold": round(took[0], 2), "warm": round(float(np.median(took[1:])), 2)}
    return found


def _forget(database: Database) -> None:
    """Ask the system to drop the file from its cache, as far as it lets one."""
    assert database.file is not None
    with database.file.open("rb") as handle:
        os.posix_fadvise(handle.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)

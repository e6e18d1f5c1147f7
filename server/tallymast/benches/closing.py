"""Kills a process while it closes hours and merges days, lets it begin again, and compares.

Each round begins with the same prepared database: hours open and closed, and closed ones to
which something came late. The child says each step it takes, so that the kill strikes a step
drawn at random, somewhere inside it.
"""

import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from random import Random

from sqlalchemy import func, select

from tallymast import networks
from tallymast.benches.known import (
    BEGIN_MS,
    DAY_MS,
    DAYS,
    EVERY_MS,
    HOUR_MS,
    NETWORK,
    Known,
    is_told,
    known,
)
from tallymast.domain.model import Poll
from tallymast.storage import hours, schema
from tallymast.storage.batch import Batch, store_batch
from tallymast.storage.engine import Database, open_database

NOW_MS = BEGIN_MS + DAYS * DAY_MS + 3 * HOUR_MS  # every hour may close, every day merge
_CLOSED_MS = BEGIN_MS + 54 * HOUR_MS  # up to here all is closed when the round begins


def kill_closing(times: int, chance: Random, folder: Path) -> dict[str, object]:
    """Kill ``times`` children that close hours, each on a copy of the same database.

    Returns:
        ``closing_kills``: how many; ``closing_hit``: how many were struck before they were
        done; ``closing_equal``: after how many, once closed to the end, every poll, hour and
        day was what its polls say.

    """
    if not times:
        return {}
    prepared = folder / "prepared.sqlite3"
    truth = _prepare(prepared)
    steps, step_s = _undisturbed(prepared, folder / "whole.sqlite3")
    hit = equal = 0
    for _ in range(times):
        file = folder / "closing.sqlite3"
        _copy(prepared, file)
        hit += _killed(file, chance.randrange(steps), step_s * chance.random())
        equal += _closed_to_the_end(file, truth)
    return {"closing_kills": times, "closing_hit": hit, "closing_equal": equal}


def _prepare(file: Path) -> list[Known]:
    with closing(open_database(file)) as database:
        networks.bring_network(database, NETWORK, "known.toml")
        _, plan = networks.load_network(database)
        truth = [known(site) for gateway in plan.gateways for site in gateway.sites]
        for is_late in (False, True):
            for one in truth:
                _store(database, [poll for poll in one.polls if _comes_late(poll) is is_late])
            if not is_late:
                hours.close_hours(database, _CLOSED_MS + 180_000)
    return truth


def _comes_late(poll: Poll) -> bool:
    """Whether a poll comes after its hour was closed: every fifth of every fourth hour."""
    if poll.at_ms >= _CLOSED_MS:
        return True
    return poll.at_ms // HOUR_MS % 4 == 0 and poll.at_ms // EVERY_MS % 5 == 0


def _store(database: Database, polls: Sequence[Poll]) -> None:
    with database.writing() as connection:
        store_batch(connection, Batch(polls, (), (), ()), NOW_MS)


def _copy(prepared: Path, file: Path) -> None:
    for end in ("-wal", "-shm"):
        file.with_name(file.name + end).unlink(missing_ok=True)
    shutil.copyfile(prepared, file)


def _child(file: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tallymast.benches.closing", str(file)]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    child.stdout.readline()  # it has opened the database
    return child


def _undisturbed(prepared: Path, file: Path) -> tuple[int, float]:
    """Let one child close everything; return its steps, and the seconds one takes."""
    _copy(prepared, file)
    child = _child(file)
    began = time.monotonic()
    said = child.communicate()[0].splitlines()
    assert said[-1] == "done", said[-1:]
    return len(said) - 1, (time.monotonic() - began) / (len(said) - 1)


def _killed(file: Path, step: int, later_s: float) -> bool:
    """Kill a child inside one of its steps; return whether it was not done by then."""
    child = _child(file)
    assert child.stdout is not None
    for _ in range(step + 1):
        child.stdout.readline()
    time.sleep(later_s)
    child.kill()
    return "done" not in child.communicate()[0]


def _closed_to_the_end(file: Path, truth: Sequence[Known]) -> bool:
    """Begin again where the killed one ended; return whether all is as the polls say."""
    with closing(open_database(file)) as database:
        hours.close_hours(database, NOW_MS)
        if database.quick_check() is not None:
            return False
        with database.reading() as connection:
            hot = connection.execute(select(func.count()).select_from(schema.poll)).scalar_one()
            return hot == 0 and all(is_told(connection, one) for one in truth)


def close_until_killed(file: Path) -> None:
    """Close every hour and merge every day, saying each step."""

    def step() -> bool:
        print("step", flush=True)
        return False

    with closing(open_database(file)) as database:
        print("open", flush=True)
        hours.close_hours(database, NOW_MS, stop=step)
        print("done", flush=True)


if __name__ == "__main__":
    close_until_killed(Path(sys.argv[1]))

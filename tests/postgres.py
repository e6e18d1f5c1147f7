"""A PostgreSQL server for the dialect tests: one that is named, or the machine's own binaries.

Running every migration step and writing a database's files takes longer than most of these
tests. So a server of our own keeps its files in memory where there is room, the steps are run
once a server, and a test gets a copy of what they made (``CREATE DATABASE … TEMPLATE``), which
is dropped after it.
"""

import os
import pwd
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import LiteralString

import pytest

from tallymast.storage.engine import open_database

ENVIRONMENT = "TALLYMAST_TEST_POSTGRES"
MEMORY = Path("/dev/shm")
ROOM = 1_000_000_000  # bytes; what the server takes stays below 300 MB, as copies are dropped


@contextmanager
def server(folder: Path) -> Iterator[str]:
    """Give the URL of a server in which databases may be created; skip where there is none."""
    named = os.environ.get(ENVIRONMENT)
    if named:
        yield named.rstrip("/")
        return
    binaries = _binaries()
    user = _user()
    data = folder / "data"
    _may_enter(folder, user)
    _run(user, binaries / "initdb", "-D", data, "-U", "tester", "-A", "trust", "--no-sync")
    options = f"-k {folder} -c listen_addresses= -c fsync=off -c max_wal_size=128MB"
    _run(user, binaries / "pg_ctl", "-D", data, "-l", folder / "log", "-w", "-o", options, "start")
    try:
        yield f"postgresql://tester@/postgres?host={folder}"
    finally:
        _run(user, binaries / "pg_ctl", "-D", data, "-m", "immediate", "-w", "stop")


@contextmanager
def server_folder() -> Iterator[Path]:
    """Give an empty folder for a server: in memory where there is plenty, else on disk."""
    in_memory = MEMORY.is_dir() and shutil.disk_usage(MEMORY).free > ROOM
    place = MEMORY if in_memory and os.access(MEMORY, os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="tallymast-pg-", dir=place) as folder:
        yield Path(folder)


def fresh_database(url: str) -> str:
    """Create an empty database in the server; return its URL."""
    return _created(url, "template1")


@contextmanager
def migrated_database(url: str) -> Iterator[str]:
    """Give the URL of a database that holds nothing yet but today's tables."""
    with copy_of(url, _migrated(url)) as made:
        yield made


@contextmanager
def copy_of(url: str, template: str) -> Iterator[str]:
    """Give the URL of a copy of another database, to which nobody is connected; then drop it."""
    made = _created(url, _name(template))
    try:
        yield made
    finally:
        _ask(url, "DROP DATABASE {} WITH (FORCE)", _name(made))


@cache
def _migrated(url: str) -> str:
    made = fresh_database(url)
    open_database(made).close()
    return made


def _created(url: str, template: str) -> str:
    name = f"tallymast_{uuid.uuid4().hex[:12]}"
    _ask(url, "CREATE DATABASE {} TEMPLATE {}", name, template)
    head, _, query = url.partition("?")
    return head.rsplit("/", 1)[0] + f"/{name}" + (f"?{query}" if query else "")


def _name(url: str) -> str:
    return url.partition("?")[0].rsplit("/", 1)[1]


def _ask(url: str, statement: LiteralString, *names: str) -> None:
    import psycopg
    from psycopg import sql

    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(sql.SQL(statement).format(*map(sql.Identifier, names)))


def _binaries() -> Path:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    on_path = shutil.which("initdb")
    if not found and on_path is None:
        what = f"no PostgreSQL server is installed (or name one in {ENVIRONMENT})"
        if os.environ.get("TALLYMAST_CI") == "1":
            pytest.fail(f"{what}, and CI may not skip this")
        pytest.skip(what)
    return found[-1].parent if found else Path(str(on_path)).parent


def _user() -> str | None:
    """Return whom to become: the server refuses to run as root."""
    if os.geteuid() != 0:
        return None
    for name in ("postgres", "nobody"):
        try:
            return pwd.getpwnam(name).pw_name
        except KeyError:
            continue
    return None


def _may_enter(folder: Path, user: str | None) -> None:
    if user is not None:
        shutil.chown(folder, user)
        for parent in folder.parents:
            if parent.owner() == "root" and parent.stat().st_mode & 0o001 == 0:
                parent.chmod(parent.stat().st_mode | 0o001)


def _run(user: str | None, *command: object) -> None:
    done = subprocess.run(
        [str(word) for word in command],
        user=user,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
        cwd="/",
    )
    assert done.returncode == 0, done.stderr

"""A PostgreSQL server for the dialect tests: one that is named, or the machine's own binaries."""

import os
import pwd
import shutil
import subprocess
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

ENVIRONMENT = "TALLYMAST_TEST_POSTGRES"


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
    options = f"-k {folder} -c listen_addresses= -c fsync=off"
    _run(user, binaries / "pg_ctl", "-D", data, "-l", folder / "log", "-w", "-o", options, "start")
    try:
        yield f"postgresql://tester@/postgres?host={folder}"
    finally:
        _run(user, binaries / "pg_ctl", "-D", data, "-m", "immediate", "-w", "stop")


def fresh_database(url: str) -> str:
    """Create an empty database in the server; return its URL."""
    import psycopg
    from psycopg import sql

    name = f"tallymast_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
    head, _, query = url.partition("?")
    return head.rsplit("/", 1)[0] + f"/{name}" + (f"?{query}" if query else "")


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

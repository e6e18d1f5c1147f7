"""A disk that is really full, or may really not be written: nothing is lost once it is not.

A small tmpfs is mounted for it, which only root may do; elsewhere these tests skip.
"""

import os
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select
from tests.storage.test_dialects import a_done, store_demo

from tallymast import networks
from tallymast.benches import known
from tallymast.domain.errors import StorageError
from tallymast.domain.model import Poll, PollDone, SiteState, SiteStatus
from tallymast.storage import episodes, notes, schema
from tallymast.storage.batch import store_polls
from tallymast.storage.engine import Database, open_database
from tallymast.storage.hours import close_hours
from tallymast.storage.polls import polls_between
from tallymast.storage.writer import Writer

T0 = 1_772_953_200_000  # 2026-03-08 07:00 UTC, a full hour
HOUR_MS = 3_600_000
CLOSABLE_MS = HOUR_MS + 180_000  # an hour may be closed 3 min after its end
REFUSED = r"The disk that holds .+ is full"


@dataclass(frozen=True)
class Disk:
    """A disk of a few megabytes, mounted at ``folder``."""

    folder: Path

    @property
    def file(self) -> Path:
        return self.folder / "tallymast.sqlite3"

    def fill(self) -> None:
        """Leave not one byte."""
        with (self.folder / "ballast").open("wb", buffering=0) as ballast, suppress(OSError):
            while ballast.write(b"\0" * 4096):
                pass

    def make_room(self) -> None:
        (self.folder / "ballast").unlink()

    def remount(self, how: str) -> None:
        done = mount("-o", f"remount,{how}", str(self.folder))
        assert done.returncode == 0, done.stderr


def mount(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["mount", *arguments], check=False, capture_output=True, text=True, timeout=30
    )


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Disk]:
    if os.geteuid() != 0:
        pytest.skip("a small disk can be mounted by root only")
    folder = tmp_path / "disk"
    folder.mkdir()
    done = mount("-t", "tmpfs", "-o", "size=8m", "tallymast-test", str(folder))
    if done.returncode:
        pytest.skip(f"a small disk cannot be mounted here: {done.stderr.strip()}")
    yield Disk(folder)
    subprocess.run(["umount", "--lazy", str(folder)], check=True, timeout=30)


@pytest.fixture
def database(disk: Disk) -> Iterator[Database]:
    opened = open_database(disk.file)
    yield opened
    opened.close()


@pytest.fixture
def writer(database: Database, monkeypatch: pytest.MonkeyPatch) -> Iterator[Writer]:
    """A writer that tries when it is asked to, and whose clock stands at T0."""
    monkeypatch.setattr("tallymast.storage.writer._PAUSE_S", 3600.0)
    one = Writer(database, now_ms=lambda: T0)
    one.start()
    yield one
    one.stop()


def rows(database: Database) -> dict[str, Any]:
    """Everything there is, by table."""
    with database.reading() as conn:
        return {
            name: conn.execute(select(table).order_by(*table.primary_key.columns)).all()
            for name, table in schema.metadata.tables.items()
        }


def polls_of(database: Database, site_id: int) -> list[Poll]:
    with database.reading() as conn:
        return polls_between(conn, site_id, 0, T0 + 24 * HOUR_MS, 100_000).items


def is_tried_in_vain(writer: Writer) -> bool:
    return not writer.flush(timeout_s=1.0) and writer.status().state in ("waiting", "failing")


def test_two_minutes_of_a_full_disk_lose_nothing(
    disk: Disk, database: Database, writer: Writer
) -> None:
    _, plan = store_demo(database)
    sites = [site for gateway in plan.gateways for site in gateway.sites]
    assert len(sites) == 24
    earlier = [a_done(site, T0 - HOUR_MS + n).poll for n, site in enumerate(sites)]
    with database.writing() as conn:
        store_polls(conn, earlier)
    before = rows(database)
    disk.fill()

    done = [a_done(site, T0 + 10_000 * n + k) for n in range(12) for k, site in enumerate(sites)]
    for one in done:
        writer.put(one)
    assert is_tried_in_vain(writer)
    status = writer.status()
    assert (status.waiting, status.dropped, status.stripped) == (288, 0, 0)
    assert status.since_ms == T0
    with pytest.raises(StorageError, match=REFUSED):
        raise StorageError(status.sentence)
    with pytest.raises(StorageError, match=REFUSED):
        close_hours(database, T0 + 180_000)
    with pytest.raises(StorageError, match=REFUSED), database.writing() as conn:
        write_note(conn, sites[0].site_id)
    assert rows(database) == before  # read beside it all the time, and nothing half done

    disk.make_room()
    assert writer.flush(timeout_s=20)
    status = writer.status()
    assert (status.state, status.waiting, status.dropped, status.sentence) == ("ok", 0, 0, "")
    for site in sites:
        truth = [one.poll for one in done if one.poll.site_id == site.site_id]
        mine = [poll for poll in earlier if poll.site_id == site.site_id]
        assert polls_of(database, site.site_id) == mine + truth
    with database.writing() as conn:
        write_note(conn, sites[0].site_id)
    assert close_hours(database, T0 + 180_000) == 24
    assert database.quick_check() is None


def write_note(conn: Any, site_id: int) -> None:
    notes.add(conn, site_id, at_ms=T0, actor="local", kind="visit", text="Disk looked at")


def test_two_hours_of_a_full_disk_read_equal_truth(
    disk: Disk, database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tallymast.storage.writer._PAUSE_S", 3600.0)
    networks.bring_network(database, known.NETWORK, "known.toml")
    _, plan = networks.load_network(database)
    truth = [known.known(site) for gateway in plan.gateways for site in gateway.sites]
    polls = [poll for one in truth for poll in one.polls]
    full_ms = known.BEGIN_MS + 30 * HOUR_MS + 1_800_000  # in the middle of an hour
    room_ms = full_ms + 2 * HOUR_MS
    with database.writing() as conn:
        store_polls(conn, [poll for poll in polls if poll.at_ms < full_ms])
    close_hours(database, full_ms)

    disk.fill()
    writer = Writer(database, now_ms=lambda: room_ms)
    writer.start()
    for poll in polls:
        if full_ms <= poll.at_ms < room_ms:
            writer.put(a_state(poll))
    assert is_tried_in_vain(writer)
    with pytest.raises(StorageError, match=REFUSED):
        close_hours(database, room_ms)

    disk.make_room()
    assert close_hours(database, room_ms) == 3  # what was hot of the first hour, a site each
    assert writer.flush(timeout_s=20)
    writer.stop()
    late = {full_ms - 1_800_000, full_ms + 1_800_000}  # ended 3 min ago and more
    assert dirty_hours(database) == late
    with database.writing() as conn:
        store_polls(conn, [poll for poll in polls if poll.at_ms >= room_ms])
    close_hours(database, known.BEGIN_MS + known.DAYS * known.DAY_MS + 3 * HOUR_MS)
    assert dirty_hours(database) == set()
    with database.reading() as conn:
        assert [known.is_told(conn, one) for one in truth] == [True] * 3


def a_state(poll: Poll) -> PollDone:
    state = SiteState(poll.site_id, SiteStatus.IN_SERVICE, T0, poll.layout_id, poll.at_ms)
    return PollDone(poll, state)


def dirty_hours(database: Database) -> set[int]:
    table = schema.dirty
    with database.reading() as conn:
        query = select(table.c.start_ms).where(table.c.kind == "hour")
        return set(conn.execute(query).scalars())


def test_a_disk_that_may_not_be_written_loses_nothing(
    disk: Disk, database: Database, writer: Writer
) -> None:
    _, plan = store_demo(database)
    site = plan.gateways[0].sites[0]
    database.close()  # or the system would not let it be mounted otherwise; opens again by itself
    disk.remount("ro")
    done = [a_done(site, T0 + 10_000 * n) for n in range(12)]
    put_all(writer, done)
    assert is_tried_in_vain(writer)
    assert "Check that its directory exists and that this user may write there" in (
        writer.status().sentence
    )
    assert writer.status().waiting == 12
    with pytest.raises(StorageError, match="may write there"), database.writing() as conn:
        write_note(conn, site.site_id)
    database.close()
    disk.remount("rw")
    assert writer.flush(timeout_s=20)
    assert writer.status().state == "ok"
    assert polls_of(database, site.site_id) == [one.poll for one in done]


def put_all(writer: Writer, done: Sequence[PollDone]) -> None:
    for one in done:
        writer.put(one)


def test_what_a_full_disk_made_the_queue_lose_is_an_episode(disk: Disk, database: Database) -> None:
    _, plan = store_demo(database)
    site = plan.gateways[0].sites[0]
    done = [a_done(site, T0 + 10_000 * n) for n in range(100)]
    disk.fill()
    writer = Writer(database, limit_bytes=420 * 40, now_ms=lambda: T0 + 5)
    put_all(writer, done)  # each takes 420 bytes and its words: 40 without words fit
    writer.start()
    assert not writer.flush(timeout_s=1.0)
    status = writer.status()
    assert (status.dropped, status.stripped, status.waiting) == (60, 100, 40)
    disk.make_room()
    assert writer.flush(timeout_s=20)
    writer.stop()
    assert [poll.at_ms for poll in polls_of(database, site.site_id)] == [
        one.poll.at_ms for one in done[60:]
    ]
    with database.reading() as conn:
        (lost,) = episodes.between(conn, T0, T0 + HOUR_MS, kind="storage")
    assert "100 polls lost their values and 60 were lost altogether" in lost.reason

"""Nothing acknowledged is lost: kills, several starts, locks, foreign and newer files, copies."""

import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from datetime import UTC
from pathlib import Path

import pytest
from sqlalchemy import text
from tests.storage.conftest import Planted

from tallymast.benches import kill
from tallymast.domain.errors import ConfigError, StorageError
from tallymast.domain.keeping import CopyPlan
from tallymast.domain.model import PollDone, SiteState, SiteStatus
from tallymast.storage import backup, copies
from tallymast.storage.engine import Database, open_database
from tallymast.storage.polls import polls_between
from tallymast.storage.writer import Writer

T0 = 1_772_953_200_000  # 2026-03-08 07:00 UTC


def done(planted: Planted, at_ms: int) -> PollDone:
    poll = planted.poll(at_ms)
    state = SiteState(planted.site_id, SiteStatus.IN_SERVICE, T0, planted.layout.id, at_ms, at_ms)
    return PollDone(poll, state)


def stored(database: Database, site_id: int) -> list[int]:
    with database.reading() as conn:
        items = polls_between(conn, site_id, T0, T0 + 3_600_000, 10_000).items
    return [poll.at_ms for poll in items]


def test_ten_kills_leave_the_file_whole_and_lose_nothing_acknowledged() -> None:
    found = kill.run(times=10, seed=4, closing=0)
    assert found["integrity_ok"] == 10
    assert found["copies_whole"] == found["copies"] == 5
    assert found["lost_acknowledged"] == 0
    assert found["holes"] == 0  # what a kill loses is the last uncommitted second, never a middle


def test_six_kills_while_hours_close_leave_every_poll_hour_and_day() -> None:
    found = kill.run(times=0, seed=4, closing=6)
    assert found["closing_kills"] == 6
    assert found["closing_hit"] >= 4  # the last steps may be done before the kill arrives
    assert found["closing_equal"] == 6


def test_a_kill_inside_a_migration_leaves_a_file_that_opens(tmp_path: Path) -> None:
    file = tmp_path / "tallymast.sqlite3"
    program = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "from sqlalchemy import event\n"
        "from sqlalchemy.engine import Engine\n"
        "from tallymast.storage.engine import open_database\n"
        "seen = []\n"
        "@event.listens_for(Engine, 'after_cursor_execute')\n"
        "def count(conn, cursor, statement, *rest):\n"
        "    if statement.strip().startswith('CREATE'):\n"
        "        seen.append(statement)\n"
        "        if len(seen) == int(sys.argv[2]):\n"
        "            os._exit(9)\n"
        "open_database(Path(sys.argv[1]))\n"
    )
    for after in (1, 2, 7, 20):
        ended = subprocess.run(
            [sys.executable, "-c", program, str(file), str(after)], check=False, timeout=60
        )
        assert ended.returncode == 9
    database = open_database(file)
    with database.reading() as conn:
        assert conn.execute(text("SELECT count(*) FROM poll")).scalar_one() == 0
    assert database.quick_check() is None
    database.close()


def test_many_starts_at_once_all_succeed(tmp_path: Path) -> None:
    program = (
        "import sys\n"
        "from pathlib import Path\n"
        "from tallymast.storage.engine import open_database\n"
        "open_database(Path(sys.argv[1])).close()\n"
    )
    starts = [
        subprocess.Popen([sys.executable, "-c", program, str(tmp_path / "one.sqlite3")])
        for _ in range(4)
    ]
    assert [start.wait(timeout=60) for start in starts] == [0, 0, 0, 0]


def test_every_writing_connection_waits_for_the_disk(database: Database) -> None:
    with database.writing() as conn:
        assert conn.exec_driver_sql("PRAGMA synchronous").scalar_one() == 2  # FULL
        assert conn.exec_driver_sql("PRAGMA journal_mode").scalar_one() == "wal"
        assert conn.exec_driver_sql("PRAGMA busy_timeout").scalar_one() == 5000


def test_a_locked_database_stops_storing_never_polling(
    planted: Planted, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert planted.database.file is not None
    monkeypatch.setattr("tallymast.storage.writer._PAUSE_S", 0.01)
    writer = Writer(planted.database, commit_every_s=0.01)
    with closing(sqlite3.connect(planted.database.file, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        writer.start()
        for n in range(50):
            writer.put(done(planted, T0 + n * 1000))  # comes back at once
        assert not writer.flush(timeout_s=7.5)  # the database itself waits 5 s for a lock
        status = writer.status()
        assert status.state in ("waiting", "failing")
        assert status.waiting == 50
        assert status.sentence
        other.execute("ROLLBACK")
        assert writer.flush(timeout_s=20)
    writer.stop()
    assert writer.status().state == "ok"
    assert stored(planted.database, planted.site_id) == [T0 + n * 1000 for n in range(50)]


def test_a_full_disk_loses_nothing_once_there_is_room(
    planted: Planted, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tallymast.storage.writer._PAUSE_S", 0.01)
    with planted.database.writing() as conn:
        pages = conn.exec_driver_sql("PRAGMA page_count").scalar_one()
        conn.exec_driver_sql(f"PRAGMA max_page_count={pages}")  # SQLITE_FULL, as a full disk gives
    writer = Writer(planted.database, commit_every_s=0.01)
    writer.start()
    for n in range(3000):
        writer.put(done(planted, T0 + n * 1000))
    assert not writer.flush(timeout_s=1.0)
    assert writer.status().state in ("waiting", "failing")
    with planted.database.writing() as conn:
        conn.exec_driver_sql("PRAGMA max_page_count=1000000")
    assert writer.flush(timeout_s=20)
    writer.stop()
    assert len(stored(planted.database, planted.site_id)) == 3000


def test_stop_stores_what_waits(planted: Planted) -> None:
    writer = Writer(planted.database, commit_every_s=60.0)
    writer.start()
    writer.put(done(planted, T0))
    writer.stop()
    assert stored(planted.database, planted.site_id) == [T0]


def test_a_newer_schema_is_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "tallymast.sqlite3"
    open_database(file).close()
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("UPDATE schema_version SET version_num = '9999'")
        connection.commit()
    with pytest.raises(StorageError, match="written by a newer Tallymast"):
        open_database(file)


def test_tables_of_somebody_else_are_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "tallymast.sqlite3"
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("CREATE TABLE recipes (name TEXT)")
        connection.commit()
    with pytest.raises(StorageError, match=r"not Tallymast's .recipes."):
        open_database(file)
    with closing(sqlite3.connect(file)) as connection:
        names = connection.execute("SELECT name FROM sqlite_master").fetchall()
    assert names == [("recipes",)]


# --- copies ---------------------------------------------------------------------------


def test_a_backup_taken_while_writing_is_whole(planted: Planted, tmp_path: Path) -> None:
    writer = Writer(planted.database, commit_every_s=0.001)
    writer.start()
    ended = threading.Event()

    def write() -> None:
        n = 0
        while not ended.is_set():
            writer.put(done(planted, T0 + n))
            n += 1

    thread = threading.Thread(target=write)
    thread.start()
    backup.backup(planted.database, tmp_path / "copy.sqlite3")
    ended.set()
    thread.join()
    writer.stop()
    backup.check_copy(tmp_path / "copy.sqlite3")
    copy = open_database(tmp_path / "copy.sqlite3")
    times = stored(copy, planted.site_id)
    copy.close()
    assert times == sorted(times)
    assert set(times) <= set(stored(planted.database, planted.site_id))


def test_restore_puts_the_copy_in_place_and_keeps_what_was_there(tmp_path: Path) -> None:
    place = tmp_path / "tallymast.sqlite3"
    database = open_database(place)
    backup.backup(database, tmp_path / "copy.sqlite3")
    with database.writing() as conn:
        conn.execute(text("INSERT INTO setting (key, value) VALUES ('later', '1')"))
    database.close()
    kept = backup.restore(tmp_path / "copy.sqlite3", place)
    assert kept is not None
    assert kept.exists()
    restored = open_database(place)
    with restored.reading() as conn:
        assert conn.execute(text("SELECT count(*) FROM setting")).scalar_one() == 0
    restored.close()


def test_restore_refuses_what_is_no_whole_copy(tmp_path: Path) -> None:
    place = tmp_path / "tallymast.sqlite3"
    open_database(place).close()
    before = place.read_bytes()
    with pytest.raises(ConfigError, match="is not there"):
        backup.restore(tmp_path / "nothing.sqlite3", place)
    (tmp_path / "text").write_text("a shopping list " * 400)
    with pytest.raises(ConfigError, match="not a database"):
        backup.restore(tmp_path / "text", place)
    with closing(sqlite3.connect(tmp_path / "foreign")) as connection:
        connection.execute("CREATE TABLE recipes (name TEXT)")
        connection.commit()
    with pytest.raises(ConfigError, match="not one of Tallymast's"):
        backup.restore(tmp_path / "foreign", place)
    newer = tmp_path / "newer.sqlite3"
    open_database(newer).close()
    with closing(sqlite3.connect(newer)) as connection:
        connection.execute("UPDATE schema_version SET version_num = '9999'")
        connection.commit()
    with pytest.raises(ConfigError, match="newer Tallymast"):
        backup.restore(newer, place)
    assert place.read_bytes() == before


def test_a_backup_leaves_room_for_the_record(
    database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(copies, "RESERVE", 10**15)
    with pytest.raises(ConfigError, match="no room for a backup"):
        copies.make_copy(database, tmp_path / "copies", T0)
    assert list((tmp_path / "copies").iterdir()) == []


def test_copies_let_go_touch_no_other_file(database: Database, tmp_path: Path) -> None:
    folder = tmp_path / "copies"
    days = 86_400_000
    for n in range(5):
        copies.make_copy(database, folder, T0 + n * days)
    (folder / "notes.txt").write_text("the key is under the stone")
    (folder / "tallymast-2026.sqlite3").write_text("no copy of ours by its name")
    gone = copies.let_go(folder, CopyPlan("02:30", days=2, weeks=0, months=0), UTC)
    assert len(gone) == 3
    assert [copy.at_ms for copy in copies.copies_in(folder)] == [T0 + 4 * days, T0 + 3 * days]
    assert len(list(folder.iterdir())) == 4


def test_restore_refuses_a_database_in_use(tmp_path: Path) -> None:
    place = tmp_path / "tallymast.sqlite3"
    database = open_database(place)
    backup.backup(database, tmp_path / "copy.sqlite3")
    with database.reading() as conn:
        conn.execute(text("SELECT count(*) FROM poll")).scalar_one()
        with pytest.raises(StorageError, match="is in use"):
            backup.restore(tmp_path / "copy.sqlite3", place)
    database.close()


def test_a_backup_never_writes_over_a_file(database: Database, tmp_path: Path) -> None:
    (tmp_path / "copy").write_text("precious")
    with pytest.raises(ConfigError, match="never writes over"):
        backup.backup(database, tmp_path / "copy")
    assert (tmp_path / "copy").read_text() == "precious"

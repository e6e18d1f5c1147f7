"""Finished exports are kept for a day and within their room; what is half-made is cleared."""

from pathlib import Path

import pytest

from tallymast.domain.errors import StorageError
from tallymast.files.shelf import KEPT_MS, Shelf

NOW_MS = 1_772_964_000_000


def put(shelf: Shelf, job: int, size: int, at_ms: int) -> None:
    shelf.place(job, "csv").write_bytes(b"x" * size)
    shelf.finish(job, "csv", at_ms)


def test_a_file_is_found_until_its_day_is_over(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "exports")
    assert shelf.of(1, NOW_MS) is None
    put(shelf, 1, 10, NOW_MS)
    found = shelf.of(1, NOW_MS + KEPT_MS - 1)
    assert found is not None
    assert (found.job, found.kind, found.size, found.until_ms) == (1, "csv", 10, NOW_MS + KEPT_MS)
    assert shelf.of(1, NOW_MS + KEPT_MS) is None
    assert shelf.of(2, NOW_MS) is None


def test_the_oldest_goes_where_there_is_no_room(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path, room=25)
    for job in (1, 2, 3):
        put(shelf, job, 10, NOW_MS + job * 1000)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["2.csv", "3.csv"]


def test_one_that_is_too_long_alone_is_refused(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path, room=25)
    put(shelf, 1, 10, NOW_MS)
    with pytest.raises(StorageError, match="shorter period"):
        put(shelf, 2, 26, NOW_MS)
    assert [path.name for path in tmp_path.iterdir()] == ["1.csv"]


def test_room_for_the_record_is_left(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="kept for the record"):
        Shelf(tmp_path, free=2**62).place(1, "csv")


def test_clearing_takes_what_is_half_made_and_nothing_else(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    put(shelf, 1, 10, NOW_MS)
    (tmp_path / "2.xlsx.unfinished").write_text("half")
    (tmp_path / ".2.xlsx.unfinished-abc").mkdir()
    (tmp_path / ".2.xlsx.unfinished-abc" / "sheet").write_text("half")
    (tmp_path / "notes.txt").write_text("a person's")
    shelf.clear_unfinished()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["1.csv", "notes.txt"]


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StorageError, match="cannot be made"):
        Shelf(tmp_path / "file" / "exports").place(1, "csv")

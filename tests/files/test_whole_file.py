"""A small file is in its place whole, or not at all, and never over another."""

import errno
import os
from pathlib import Path

import pytest

from tallymast.domain.errors import ConfigError, StorageError
from tallymast.files.whole_file import check_place, put_whole


def test_what_is_put_is_there_and_nothing_beside_it(tmp_path: Path) -> None:
    put_whole(tmp_path / "a.html", b"whole")
    assert (tmp_path / "a.html").read_bytes() == b"whole"
    assert [one.name for one in tmp_path.iterdir()] == ["a.html"]


def test_what_is_there_stays(tmp_path: Path) -> None:
    file = tmp_path / "a.html"
    file.write_bytes(b"mine")
    for try_it in (lambda: check_place(file), lambda: put_whole(file, b"yours")):
        with pytest.raises(ConfigError, match="is there already and stays as it is"):
            try_it()
    assert file.read_bytes() == b"mine"
    assert len(list(tmp_path.iterdir())) == 1


def test_a_full_disk_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StorageError, match=r"cannot be written: No space left.*Make room"):
        put_whole(tmp_path / "a.html", b"too much")
    assert list(tmp_path.iterdir()) == []


def test_a_disk_without_second_names_is_written_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")  # as FAT says it

    monkeypatch.setattr(os, "link", refuse)
    put_whole(tmp_path / "a.html", b"whole")
    assert (tmp_path / "a.html").read_bytes() == b"whole"
    with pytest.raises(ConfigError, match="is there already"):
        put_whole(tmp_path / "a.html", b"again")
    assert [one.name for one in tmp_path.iterdir()] == ["a.html"]


def test_a_place_that_is_none_is_told_before_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("")
    for folder in (tmp_path / "file", tmp_path / "nowhere"):
        with pytest.raises(ConfigError, match="is no directory"):
            check_place(folder / "a.html")
    monkeypatch.setattr(os, "access", lambda *_: False)  # root may write everywhere
    with pytest.raises(ConfigError, match="Nothing can be written into"):
        check_place(tmp_path / "a.html")

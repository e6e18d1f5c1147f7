"""Kept months: names, order, never over another, and only what is a report."""

from pathlib import Path

import pytest

from tallymast.domain.errors import StorageError
from tallymast.files.report_shelf import ReportShelf

BODIES = {"html": b"<p>", "xlsx": b"PK"}
MADE_MS = 1_793_541_600_000


def test_a_month_is_kept_once_and_anew_beside_it(tmp_path: Path) -> None:
    shelf = ReportShelf(tmp_path / "reports")
    assert shelf.kept() == []
    assert shelf.next_number("2026-10") == 1
    assert shelf.keep("2026-10", 1, BODIES, MADE_MS) == 2
    assert shelf.keep("2026-10", 1, {"html": b"other", "xlsx": b"other"}, MADE_MS) == 0
    assert (shelf.folder / "reliability-2026-10.html").read_bytes() == b"<p>"
    assert shelf.next_number("2026-10") == 2
    assert shelf.keep("2026-10", 2, BODIES, MADE_MS) == 2
    found = [(one.month, one.number, one.kind, one.made_ms) for one in shelf.kept()]
    assert found == [("2026-10", n, kind, MADE_MS) for n in (2, 1) for kind in ("html", "xlsx")]


def test_a_month_is_whole_with_every_kind_of_its_first_telling(tmp_path: Path) -> None:
    shelf = ReportShelf(tmp_path)
    shelf.keep("2026-10", 1, {"html": b"<p>"}, MADE_MS)
    shelf.keep("2026-09", 2, BODIES, MADE_MS)
    assert shelf.whole_months() == set()
    assert shelf.keep("2026-10", 1, BODIES, MADE_MS) == 1
    assert shelf.whole_months() == {"2026-10"}


@pytest.mark.parametrize(
    "name",
    [
        "../secret",
        "secret.html",
        "reliability-2026-13.html",
        "reliability-2026-10.txt",
        "reliability-2026-10-1.html",
        ".reliability-2026-10.html-ab.unfinished",
    ],
)
def test_other_files_are_no_reports(tmp_path: Path, name: str) -> None:
    shelf = ReportShelf(tmp_path / "reports")
    shelf.folder.mkdir()
    (shelf.folder / name).write_text("x")
    assert shelf.of(name) is None
    assert shelf.kept() == []


def test_a_folder_that_cannot_be_made_is_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StorageError, match="for reports cannot be made"):
        ReportShelf(tmp_path / "file" / "reports").keep("2026-10", 1, BODIES, MADE_MS)

"""A whole file or none, never over another, and never more than one batch in the memory."""

from collections.abc import Iterator
from pathlib import Path
from weakref import ref

import pytest
from tests.files.conftest import a_batch

from tallymast.domain.errors import ConfigError, StorageError
from tallymast.domain.exports import FORMATS, Batch, Extract, Format
from tallymast.files import csv_file, writing


def names(place: Path) -> list[str]:
    return sorted(path.name for path in place.parent.iterdir())


@pytest.mark.parametrize("kind", FORMATS)
def test_the_file_has_its_name_when_it_is_whole(
    place: Path, extract: Extract, kind: Format
) -> None:
    seen: list[list[str]] = []
    rows = writing.write(
        kind, place, extract, [a_batch([1, 2]), a_batch([3])], lambda _: seen.append(names(place))
    )
    assert rows == 3
    assert all("out" not in one and "out.unfinished" in one for one in seen)
    assert names(place) == ["out"]


@pytest.mark.parametrize("kind", FORMATS)
def test_only_one_batch_is_alive(place: Path, extract: Extract, kind: Format) -> None:
    known: list[ref[Batch]] = []

    def made() -> Iterator[Batch]:
        for n in range(20):
            assert not [one for one in known if one() is not None], "an older batch is still held"
            batch = a_batch([n, n + 1])
            known.append(ref(batch))
            yield batch
            del batch

    assert writing.write(kind, place, extract, made()) == 40
    known.clear()
    assert b"".join(csv_file.chunks(extract, made())).count(b"\r\n") == 41


@pytest.mark.parametrize("kind", FORMATS)
def test_what_breaks_off_leaves_nothing(place: Path, extract: Extract, kind: Format) -> None:
    def made() -> Iterator[Batch]:
        yield a_batch([1, 2, 3])
        raise StorageError("The database is locked.")

    with pytest.raises(StorageError, match="is locked"):
        writing.write(kind, place, extract, made())
    assert names(place) == []


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("there", ["out", "out.unfinished"])
def test_a_file_that_is_there_stays(
    place: Path, extract: Extract, kind: Format, there: str
) -> None:
    place.with_name(there).write_text("mine")
    with pytest.raises(ConfigError, match=f"{there} is there already"):
        writing.write(kind, place, extract, [a_batch([1])])
    assert names(place) == [there]
    assert place.with_name(there).read_text() == "mine"


def test_a_file_that_appears_meanwhile_stays_too(place: Path, extract: Extract) -> None:
    with pytest.raises(ConfigError, match="has appeared meanwhile"):
        writing.write("csv", place, extract, [a_batch([1])], lambda _: _put(place))
    assert place.read_text() == "mine"
    assert names(place) == ["out"]


def _put(place: Path) -> None:
    place.write_text("mine")


@pytest.mark.parametrize("kind", FORMATS)
def test_a_place_that_is_none_is_said(tmp_path: Path, extract: Extract, kind: Format) -> None:
    with pytest.raises(StorageError, match=r"no-folder/out cannot be written: No such file"):
        writing.write(kind, tmp_path / "no-folder" / "out", extract, [])


@pytest.mark.parametrize(
    ("name", "kind"), [("a.csv", "csv"), ("b/c.XLSX", "xlsx"), ("d.e.parquet", "parquet")]
)
def test_the_ending_says_the_format(name: str, kind: str) -> None:
    assert writing.format_of(name) == kind


@pytest.mark.parametrize("name", ["a", "a.ods", "csv", ".csv"])
def test_another_ending_is_asked_about(name: str) -> None:
    with pytest.raises(ConfigError, match=r"does not end with \.csv, \.xlsx or \.parquet"):
        writing.format_of(name)

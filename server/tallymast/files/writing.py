"""Writes one whole file or none: beside its place until it is finished, never over another."""

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final

from tallymast.domain.errors import ConfigError, StorageError
from tallymast.domain.exports import FORMATS, Batch, Extract, Format
from tallymast.files import csv_file, parquet_file, xlsx_file
from tallymast.files.table import Table

UNFINISHED: Final = ".unfinished"
MEDIA: Final[dict[Format, str]] = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "parquet": "application/vnd.apache.parquet",
}
_TABLES: Final[dict[Format, Table]] = {
    "csv": csv_file.table,
    "xlsx": xlsx_file.table,
    "parquet": parquet_file.table,
}


def format_of(name: str) -> Format:
    """Return the format a file's ending asks for.

    Raises:
        ConfigError: none of them.

    """
    ending = Path(name).suffix.lower().removeprefix(".")
    for kind in FORMATS:
        if ending == kind:
            return kind
    raise ConfigError(
        f"{name} does not end with .csv, .xlsx or .parquet; rename it or say --format."
    )


def write(
    kind: Format,
    path: Path,
    extract: Extract,
    batches: Iterable[Batch],
    told: Callable[[int], None] = lambda rows: None,
) -> int:
    """Write an export; the file appears in its place when it is whole.

    Args:
        kind: its format.
        path: where it goes; ``path.unfinished`` until then.
        extract: what it is about.
        batches: its rows.
        told: called after each batch with the rows so far; what it raises ends the writing.

    Returns:
        How many rows were written.

    Raises:
        ConfigError: a file is there already, or the format cannot be written here.
        StorageError: the disk or the database refused.

    """
    beside = path.with_name(path.name + UNFINISHED)
    for one in (path, beside):
        if one.exists():
            raise ConfigError(f"{one} is there already and stays as it is; choose another name.")
    try:
        rows = _fill(kind, beside, extract, batches, told)
        if path.exists():
            raise ConfigError(f"{path} has appeared meanwhile and stays as it is; begin again.")
        beside.rename(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise StorageError(
            f"{path} cannot be written: {error.strerror or error}. Make room, or choose another "
            "place."
        ) from error
    except BaseException:
        beside.unlink(missing_ok=True)
        raise
    return rows


def _fill(
    kind: Format,
    path: Path,
    extract: Extract,
    batches: Iterable[Batch],
    told: Callable[[int], None],
) -> int:
    rows = 0
    with _TABLES[kind](path, extract) as put:
        for batch in batches:
            put(batch)
            rows += len(batch)
            del batch  # the next one is read before this name is used again
            told(rows)
    return rows

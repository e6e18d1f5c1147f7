"""Comma-separated values: RFC 4180, lines end with CR LF, UTF-8, one line of headings.

Numbers stay numbers. A text that a spreadsheet would take for a formula gets an apostrophe in
front, as OWASP's page on CSV injection advises.
"""

import csv
import io
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import numpy as np

from tallymast.domain.exports import Batch, Cell, Column, Extract, Kind, columns_of
from tallymast.domain.local_times import utc_texts
from tallymast.files.harmless import harmless
from tallymast.files.table import Put


@contextmanager
def table(path: Path, extract: Extract) -> Iterator[Put]:
    """Write an export into a new file."""
    columns = columns_of(extract)
    with path.open("xb") as file:
        file.write(heading(columns))
        yield lambda batch: _write(file, lines(columns, batch))


def chunks(extract: Extract, batches: Iterable[Batch]) -> Iterator[bytes]:
    """Return the same file's bytes as they come, for whoever sends them on."""
    columns = columns_of(extract)
    yield heading(columns)
    for batch in batches:
        if len(batch):
            yield lines(columns, batch)
        del batch


def heading(columns: Iterable[Column]) -> bytes:
    """Return the line of headings."""
    return _lines([tuple(column.name for column in columns)])


def lines(columns: Iterable[Column], batch: Batch) -> bytes:
    """Return a batch's lines."""
    ready = [
        _WORDS[column.kind](cells) for column, cells in zip(columns, batch.columns, strict=True)
    ]
    return _lines(zip(*ready, strict=True))


def _write(file: io.BufferedWriter, some: bytes) -> None:
    file.write(some)


def _lines(rows: Iterable[tuple[str, ...]]) -> bytes:
    made = io.StringIO(newline="")
    csv.writer(made, lineterminator="\r\n").writerows(rows)
    return made.getvalue().encode()


def _texts(cells: Iterable[Cell]) -> list[str]:
    return [_text(str(cell)) if cell is not None else "" for cell in cells]


def _text(text: str) -> str:
    return harmless(text)


def _instants(cells: Iterable[Cell]) -> list[str]:
    return utc_texts(np.array(list(cells), np.int64))


def _eithers(cells: Iterable[Cell]) -> list[str]:
    return [_text(cell) if isinstance(cell, str) else _number(cell) for cell in cells]


def _numbers(cells: Iterable[Cell]) -> list[str]:
    return [_number(cell) for cell in cells]


def _number(cell: Cell) -> str:
    """Return a number so that reading it gives the very same; 3.0 is written 3."""
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 2**53:
        return str(int(cell))
    return "" if cell is None else repr(cell)


_WORDS: Final[dict[Kind, Callable[[Iterable[Cell]], list[str]]]] = {
    Kind.TEXT: _texts,
    Kind.INSTANT: _instants,
    Kind.WHOLE: _numbers,
    Kind.NUMBER: _numbers,
    Kind.EITHER: _eithers,
}

"""Parquet: columns for analysis, compressed; what the file is about stands in its schema.

A column that may hold numbers and texts becomes two, the second for what is no number or
would lose digits as one. Needs pyarrow (the extra ``parquet``).
"""

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from tallymast.domain.errors import ConfigError
from tallymast.domain.exports import (
    Batch,
    Cell,
    Column,
    Extract,
    Kind,
    about,
    about_points,
    columns_of,
)
from tallymast.files.table import Put

MISSING: Final = (
    "Parquet files need pyarrow, which is not installed here: `pip install tallymast[parquet]`, "
    "or choose csv or xlsx."
)
GROUP_ROWS: Final = 65_536  # ours: a row group is read as one; smaller ones compress worse


@contextmanager
def table(path: Path, extract: Extract, group_rows: int = GROUP_ROWS) -> Iterator[Put]:
    """Write an export into a new file.

    Raises:
        ConfigError: pyarrow is not installed.

    """
    arrow = load_arrow()
    columns = columns_of(extract)
    schema = arrow.schema(
        [field for column in columns for field in _fields(arrow, column)], _told(extract)
    )
    with (
        path.open("xb") as file,
        arrow.parquet.ParquetWriter(file, schema, compression="zstd") as writer,
    ):
        groups = _Groups(arrow, writer, schema, columns, group_rows)
        yield groups.put
        groups.flush()


def is_possible() -> bool:
    """Return whether this machine can write Parquet."""
    try:
        load_arrow()
    except ConfigError:
        return False
    return True


def load_arrow() -> Any:
    """Return pyarrow.

    Raises:
        ConfigError: it is not installed.

    """
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as error:
        raise ConfigError(MISSING) from error
    return pyarrow


class _Groups:
    """Collects batches, as columns, until they fill a row group."""

    def __init__(
        self, arrow: Any, writer: Any, schema: Any, columns: Sequence[Column], group_rows: int
    ) -> None:
        self._arrow = arrow
        self._writer = writer
        self._schema = schema
        self._columns = columns
        self._group_rows = group_rows
        self._held: list[Any] = []
        self._rows = 0

    def put(self, batch: Batch) -> None:
        """Take a batch's rows."""
        parted = [
            part
            for column, cells in zip(self._columns, batch.columns, strict=True)
            for part in _parts(column, cells)
        ]
        arrays = [
            self._arrow.array(cells, field.type)
            for cells, field in zip(parted, self._schema, strict=True)
        ]
        self._held.append(self._arrow.RecordBatch.from_arrays(arrays, schema=self._schema))
        self._rows += len(batch)
        if self._rows >= self._group_rows:
            self.flush()

    def flush(self) -> None:
        """Write what is held as one row group."""
        if self._rows:
            self._writer.write_table(self._arrow.Table.from_batches(self._held, self._schema))
        self._held, self._rows = [], 0


def _fields(arrow: Any, column: Column) -> list[tuple[str, Any]]:
    kinds = {
        Kind.TEXT: arrow.string(),
        Kind.INSTANT: arrow.timestamp("ms", "UTC"),
        Kind.WHOLE: arrow.int64(),
        Kind.NUMBER: arrow.float64(),
    }
    if column.kind is Kind.EITHER:
        return [(column.name, arrow.float64()), (f"{column.name} (text)", arrow.string())]
    return [(column.name, kinds[column.kind])]


def _parts(column: Column, cells: Sequence[Cell]) -> Iterator[Sequence[Cell]]:
    if column.kind is not Kind.EITHER:
        yield cells
        return
    yield [float(cell) if _is_number(cell) else None for cell in cells]  # type: ignore[arg-type]
    yield [str(cell) if cell is not None and not _is_number(cell) else None for cell in cells]


def _is_number(cell: Cell) -> bool:
    """Return whether a cell is a number that a float64 holds to the last digit."""
    return isinstance(cell, float) or (isinstance(cell, int) and abs(cell) <= 2**53)


def _told(extract: Extract) -> dict[str, str]:
    told = {f"tallymast {name}": words for name, words in about(extract)}
    return {**told, "tallymast points": json.dumps(about_points(extract), ensure_ascii=False)}

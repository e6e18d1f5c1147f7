"""A small table as Parquet, made whole in memory; texts, numbers and instants keep their kinds."""

import io
from collections.abc import Sequence
from typing import Any

from tallymast.domain.exports import Kind
from tallymast.files.parquet_file import load_arrow
from tallymast.files.sheets import Instant, Sheet


def parquet_bytes(sheet: Sheet, kinds: Sequence[Kind], about: dict[str, str]) -> bytes:
    """Return a table as Parquet.

    Args:
        sheet: the table; an empty cell is null.
        kinds: of its columns.
        about: what the file tells of itself, by name.

    Raises:
        ConfigError: pyarrow is not installed.

    """
    lib = load_arrow()
    types = {
        Kind.TEXT: lib.string(),
        Kind.INSTANT: lib.timestamp("ms", "UTC"),
        Kind.WHOLE: lib.int64(),
        Kind.NUMBER: lib.float64(),
    }
    fields = [(head, types[kind]) for head, kind in zip(sheet.heads, kinds, strict=True)]
    schema = lib.schema(fields, {f"tallymast {name}": words for name, words in about.items()})
    columns = [
        lib.array([_plain(row[place], kind) for row in sheet.rows], types[kind])
        for place, kind in enumerate(kinds)
    ]
    held = io.BytesIO()
    table = lib.Table.from_arrays(columns, schema=schema)
    lib.parquet.write_table(table, held, compression="zstd")
    return held.getvalue()


def _plain(cell: Any, kind: Kind) -> Any:
    if isinstance(cell, Instant):
        return cell.ms
    return float(cell) if kind is Kind.NUMBER and cell is not None else cell

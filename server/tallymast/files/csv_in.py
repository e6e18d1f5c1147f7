"""Reads a table of comma-separated values: parted by commas, semicolons or tabs, RFC 4180 quotes.

Where semicolons part the cells, numbers may have a decimal comma: so spreadsheets of many
countries write it.
"""

import csv
import io
from typing import Final

from tallymast.domain.errors import ConfigError
from tallymast.files.raw_rows import MOST_COLUMNS, MOST_ROWS, RawTable, too_many_rows

_PARTS: Final = {",": "comma", ";": "semicolon", "\t": "tab"}


def read_csv(name: str, text: str) -> RawTable:
    """Return the rows of a file's text.

    Raises:
        ConfigError: the rows cannot be told apart, or there are too many.

    """
    hint, _, rest = text.partition("\n")
    said = hint.strip().lower().removeprefix("sep=") if hint.lower().startswith("sep=") else ""
    skipped = 1 if said or hint.lower().startswith("sep=") else 0
    body = rest if skipped else text
    part = said if said in _PARTS else ("\t" if hint.lower().startswith("sep=\t") else _part(body))
    rows: list[tuple[int, tuple[str, ...]]] = []
    reader = csv.reader(io.StringIO(body, newline=""), delimiter=part, strict=True)
    try:
        for number, cells in enumerate(reader, 1 + skipped):
            if len(cells) > MOST_COLUMNS:
                raise ConfigError(_too_wide(name, number, len(cells)))
            if any(cell.strip() for cell in cells):
                rows.append((number, tuple(cells)))
            if len(rows) > MOST_ROWS + 1:
                raise ConfigError(too_many_rows(name, sum(1 for _ in reader) + len(rows) - 1))
    except csv.Error as error:
        raise ConfigError(_wrong(name, rows[-1][0] + 1 if rows else 1 + skipped, error)) from error
    return RawTable(name, part == ";", tuple(rows), part=_PARTS[part])


def _part(text: str) -> str:
    """Return what parts the cells: the most frequent of the three in the headings."""
    head = next((line for line in text.splitlines() if line.strip()), "")
    return max(_PARTS, key=head.count)


def _too_wide(name: str, row: int, count: int) -> str:
    return (
        f"{name}, row {row}: It has {count} columns; at most {MOST_COLUMNS} are read. Is it the"
        " right file?"
    )


def _wrong(name: str, row: int, error: csv.Error) -> str:
    if "field larger" in str(error):
        return f"{name}, row {row}: A cell is longer than any text a network holds."
    return (
        f"{name}, row {row}: A quotation mark is not closed, or text follows a closing one; a"
        ' quotation mark inside a text is written twice (""), and the text stands in quotes.'
    )

"""Reads the sheets of a spreadsheet: values only, as text, with what it hides told.

A spreadsheet is a packed folder of XML. Before anything is read: it must not be encrypted,
unpack to more than it may, or declare entities (a way to make a small file fill the memory).
Formulas are not read: what they last came to may be old.
"""

import io
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from datetime import datetime, time
from itertools import islice
from typing import Any, Final
from xml.etree.ElementTree import ParseError

import openpyxl
from openpyxl.utils.escape import unescape

from tallymast.domain.errors import ConfigError
from tallymast.domain.grammar.mistakes import plain
from tallymast.domain.setup.grids import letters
from tallymast.files.raw_rows import MOST_COLUMNS, MOST_ROWS, RawTable, too_many_rows

MOST_UNPACKED: Final = 24 * 1024 * 1024  # bytes; ours: a full table has a fifth of it
MOST_PARTS: Final = 500
_COUNTED: Final = 20_000  # rows that are counted once there are too many
_LAST_ROW: Final = 1_048_576  # what spreadsheet programs open; ECMA-376 has no limit
_FORMULA: Final = (
    "A formula stands here; its result may be old and is not read. Paste it as a value, or write"
    " the value here."
)
_TYPES: Final = (b"<!DOCTYPE", b"<!ENTITY")
_WIDE: Final = (b"\xff\xfe", b"\xfe\xff")  # UTF-16, in which they would not be seen
_BROKEN: Final = (
    zipfile.BadZipFile,
    zlib.error,
    ParseError,
    KeyError,
    ValueError,
    TypeError,
    AttributeError,
    IndexError,
    AssertionError,
    OverflowError,
    NotImplementedError,
    EOFError,
    RuntimeError,
    OSError,
)


def read_xlsx(
    name: str, content: bytes, wanted: tuple[str, ...]
) -> tuple[tuple[RawTable, ...], tuple[str, ...]]:
    """Return the tables of the sheets with one of these names (in any case), and other sheets.

    Raises:
        ConfigError: no spreadsheet, one that is too large, or one that shows less than it holds.

    """
    _check_package(name, content)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about parts of no concern: charts, extensions
            book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=False)
            try:
                others = tuple(
                    one.title for one in book.worksheets if one.title.strip().lower() not in wanted
                )
                return _tables(name, book, content, wanted), others
            finally:
                book.close()
    except _BROKEN as error:
        if isinstance(error, ConfigError):
            raise
        raise ConfigError(
            f"{name}: This is a packed file, but no whole spreadsheet (.xlsx); open it in a"
            " spreadsheet program and save it anew as .xlsx."
        ) from error


def _check_package(name: str, content: bytes) -> None:
    try:
        package = zipfile.ZipFile(io.BytesIO(content))
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError) as error:
        raise ConfigError(f"{name}: The file is damaged or cut short.") from error
    with package:
        parts = package.infolist()
        if any(part.flag_bits & 1 for part in parts):
            raise ConfigError(f"{name}: It is encrypted; save it without a password.")
        size = sum(part.file_size for part in parts)
        if size > MOST_UNPACKED or len(parts) > MOST_PARTS:
            raise ConfigError(
                f"{name}: It unpacks to {size // 1_000_000} MB in {len(parts)} parts, more than"
                f" any network's tables ({MOST_UNPACKED // 1_000_000} MB); it is not unpacked."
            )
        _refuse_entities(name, package)


def _refuse_entities(name: str, package: zipfile.ZipFile) -> None:
    """Refuse XML with a document type: no spreadsheet program writes one."""
    for part in package.infolist():
        if part.filename.lower().endswith((".xml", ".rels")):
            try:
                head = package.read(part)
            except _BROKEN as error:
                raise ConfigError(f"{name}: The file is damaged or cut short.") from error
            if any(one in head for one in _TYPES) or head.startswith(_WIDE):
                raise ConfigError(
                    f"{name}: Its part {part.filename} is written as no spreadsheet program"
                    " writes it; it is not read."
                )


def _tables(name: str, book: Any, content: bytes, wanted: tuple[str, ...]) -> tuple[RawTable, ...]:
    sheets = [one for one in book.worksheets if one.title.strip().lower() in wanted]
    if not sheets:
        names = ", ".join(one.title for one in book.worksheets) or "none"
        expected = " or ".join(one.capitalize() for one in wanted)
        raise ConfigError(
            f"{name}: It has no sheet {expected}; its sheets are: {names}. An export has the right"
            " ones."
        )
    told = [said for sheet in sheets for said in _hidden(name, sheet, content)]
    if told:
        raise ConfigError(tuple(told))
    return tuple(_table(name, sheet) for sheet in sheets)


def _table(name: str, sheet: Any) -> RawTable:
    called = f"{name}, sheet {sheet.title}"
    rows: list[tuple[int, tuple[str, ...]]] = []
    wrong: dict[tuple[int, int], str] = {}
    sheet.reset_dimensions()
    for number, cells in enumerate(sheet.iter_rows(), 1):
        if number > _LAST_ROW:
            raise ConfigError(f"{called}: It has more rows than any spreadsheet.")
        if not cells:
            continue
        if len(cells) > MOST_COLUMNS and any(one.value is not None for one in cells[MOST_COLUMNS:]):
            raise ConfigError(
                f"{called}, row {number}: It has {len(cells)} columns; at most {MOST_COLUMNS} are"
                " read."
            )
        texts = tuple(_text(one) for one in cells[:MOST_COLUMNS])
        if any(text.strip() for text in texts):
            rows.append((number, texts))
            wrong |= dict(_formulas(number, cells))
        if len(rows) > MOST_ROWS + 1:
            raise ConfigError(too_many_rows(called, _count(sheet)))
    return RawTable(called, False, tuple(rows), wrong=wrong)


def _count(sheet: Any) -> str:
    """Return how many rows there are, without going on for ever."""
    rows = (row for row in sheet.iter_rows(values_only=True) if any(one is not None for one in row))
    count = sum(1 for _ in islice(rows, _COUNTED + 1)) - 1  # without the headings
    return f"more than {count - 1}" if count == _COUNTED else str(count)


def _formulas(number: int, cells: Any) -> Iterator[tuple[tuple[int, int], str]]:
    for place, cell in enumerate(cells[:MOST_COLUMNS]):
        if getattr(cell, "data_type", "") == "f":
            yield (number, place), _FORMULA


def _text(cell: Any) -> str:
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return plain(value)
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else str(value)
    if getattr(cell, "data_type", "") == "f" and not isinstance(value, str):
        return "="  # a formula over several cells
    return unescape(str(value)) if "_x" in str(value) else str(value)


# --- what a sheet does not show ---------------------------------------------------------

_TAG = r"<(?:\w+:)?"
_MERGED = re.compile(_TAG.encode() + rb'mergeCell\b[^>]*\bref="([^"]{1,40})"')
_ROW = re.compile(_TAG.encode() + rb"row\b([^>]{0,400})>")
_COLUMN = re.compile(_TAG.encode() + rb"col\b([^>]{0,400})>")
_IS_HIDDEN = re.compile(rb'\bhidden="(?:1|true)"')
_NUMBER = re.compile(rb'\b(?:r|min)="(\d{1,9})"')


def _hidden(name: str, sheet: Any, content: bytes) -> Iterator[str]:
    """Say which cells of a sheet are merged or not to be seen: their rows would be misread."""
    called = f"{name}, sheet {sheet.title}"
    if sheet.sheet_state != "visible":
        yield f"{called}: The sheet is hidden; show it, look at it and send it again."
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        body = package.read(sheet._worksheet_path)  # nothing else tells it while rows stream
    merged = [found.group(1).decode() for found in _MERGED.finditer(body)]
    if merged:
        yield (
            f"{called}, cells {_some(merged)}: Cells are merged, so that it is not clear what the"
            " other rows or columns hold; part them."
        )
    rows = [number for number in _marked(_ROW, body)]
    if rows:
        yield (
            f"{called}, row {_some([str(n) for n in rows])}: Rows are hidden, by hand or by a"
            " filter; show them, so that nothing is taken in unseen."
        )
    columns = [letters(number - 1) for number in _marked(_COLUMN, body)]
    if columns:
        yield f"{called}, column {_some(columns)}: Columns are hidden; show or delete them."


def _marked(tag: re.Pattern[bytes], body: bytes) -> Iterator[int]:
    for found in tag.finditer(body):
        number = _NUMBER.search(found.group(1))
        if _IS_HIDDEN.search(found.group(1)) and number:
            yield int(number.group(1))


def _some(names: list[str]) -> str:
    return ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")

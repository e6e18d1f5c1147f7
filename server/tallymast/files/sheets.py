"""Small tables, made whole in memory: one as CSV, some as the sheets of one spreadsheet.

What is not known is an empty cell. Texts go into a spreadsheet as texts, never as formulas; in
CSV a text that a spreadsheet would take for one gets an apostrophe in front, as OWASP's page on
CSV injection advises. Long exports are written row by row instead (csv_file.py, xlsx_file.py).
"""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import xlsxwriter

from tallymast.files.harmless import harmless

_DAY_MS: Final = 86_400_000
_DAY_0: Final = 25_569  # 1970-01-01 in the spreadsheet's days
_WIDEST: Final = 60
_NARROWEST: Final = 9
_DATE: Final = "yyyy-mm-dd hh:mm:ss"


@dataclass(frozen=True, slots=True)
class Instant:
    """An instant, UTC milliseconds: a date to count with in a spreadsheet, ISO 8601 in CSV."""

    ms: int


Cell = str | int | float | Instant | None


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table.

    Attributes:
        name: of the sheet, at most 31 letters and spaces.
        heads: of its columns, with their units; empty: the rows stand for themselves.
        rows: as long as the heads.

    """

    name: str
    heads: tuple[str, ...]
    rows: Sequence[Sequence[Cell]]


def csv_bytes(sheet: Sheet) -> bytes:
    """Return a table as comma-separated values: RFC 4180, CR LF, UTF-8."""
    made = io.StringIO(newline="")
    writer = csv.writer(made, lineterminator="\r\n")
    writer.writerow([_word(head) for head in sheet.heads])
    writer.writerows([_word(cell) for cell in row] for row in sheet.rows)
    return made.getvalue().encode()


def _word(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, Instant):
        at = datetime.fromtimestamp(cell.ms // 1000, UTC)
        return f"{at:%Y-%m-%dT%H:%M:%S}.{cell.ms % 1000:03d}Z"
    if isinstance(cell, str):
        return harmless(cell)
    return f"{cell:.0f}" if isinstance(cell, float) and cell.is_integer() else repr(cell)


def xlsx_bytes(sheets: Sequence[Sheet], title: str, made_ms: int) -> bytes:
    """Return tables as one spreadsheet.

    Args:
        sheets: in their order.
        title: of the document.
        made_ms: when it is made, UTC milliseconds.

    """
    held = io.BytesIO()
    book = xlsxwriter.Workbook(held, {"in_memory": True, "strings_to_formulas": False})
    made = datetime.fromtimestamp(made_ms // 1000, UTC)
    book.set_properties({"title": title, "author": "Tallymast", "created": made})
    bold = book.add_format({"bold": True, "text_wrap": True, "valign": "top"})
    date = book.add_format({"num_format": _DATE, "align": "left"})
    wrapped = book.add_format({"text_wrap": True, "valign": "top"})
    for sheet in sheets:
        _write(book.add_worksheet(sheet.name), sheet, (bold, date, wrapped))
    book.close()
    return held.getvalue()


def _write(page: Any, sheet: Sheet, formats: tuple[Any, Any, Any]) -> None:
    bold, date, wrapped = formats
    for place, head in enumerate(sheet.heads):
        page.write_string(0, place, head, bold)
    first = 1 if sheet.heads else 0
    for line, row in enumerate(sheet.rows, first):
        for place, cell in enumerate(row):
            if cell == "":
                continue
            if isinstance(cell, str):
                page.write_string(line, place, cell, wrapped if not sheet.heads and place else None)
            else:
                _write_number(page, line, place, cell, date)
    _set_up(page, sheet)


def _write_number(
    page: Any, line: int, place: int, cell: Instant | float | None, date: Any
) -> None:
    if isinstance(cell, Instant):
        page.write_number(line, place, cell.ms / _DAY_MS + _DAY_0, date)
    elif cell is not None:
        page.write_number(line, place, cell)


def _set_up(page: Any, sheet: Sheet) -> None:
    for place in range(max((len(row) for row in (sheet.heads, *sheet.rows)), default=0)):
        page.set_column(place, place, _width(sheet, place))
    if sheet.heads:
        page.freeze_panes(1, 1)
        page.autofilter(0, 0, max(len(sheet.rows), 1), len(sheet.heads) - 1)
        page.repeat_rows(0)
    page.set_landscape()
    page.fit_to_pages(1, 0)


def _width(sheet: Sheet, place: int) -> int:
    """Return a column's width in characters; heads wrap, so that they need half of theirs."""
    found = [_NARROWEST]
    if place < len(sheet.heads):
        found.append(len(sheet.heads[place]) // 2)
    for row in sheet.rows:
        if place < len(row) and (cell := row[place]) is not None:
            found.append(len(_DATE) if isinstance(cell, Instant) else len(str(cell)))
    wide = max(found) + 2
    return min(wide, 110 if not sheet.heads else _WIDEST)

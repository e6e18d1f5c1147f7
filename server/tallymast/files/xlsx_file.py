"""Spreadsheets: a sheet "About", then sheets of rows, a further one wherever one is full.

Written row by row (XlsxWriter's constant memory): each sheet lies in a folder beside the file
until the end. Instants in UTC are dates a spreadsheet can count with; local times are texts,
because its dates know no offset. A whole number too long for its 15 digits stays exact as text.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import xlsxwriter
from xlsxwriter.exceptions import XlsxWriterException
from xlsxwriter.worksheet import Worksheet

from tallymast.domain.exports import (
    DAY_MS,
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

ROWS_A_SHEET: Final = 1_048_576  # ECMA-376 has no limit; Excel and LibreOffice open so many
_DAY_0: Final = 25_569  # 1970-01-01 in the spreadsheet's days
_EXACT: Final = 10**15  # its numbers show 15 digits
_WIDTHS: Final = {Kind.INSTANT: 23, Kind.TEXT: 14, Kind.EITHER: 12}


@contextmanager
def table(path: Path, extract: Extract, rows_a_sheet: int = ROWS_A_SHEET) -> Iterator[Put]:
    """Write an export into a new file, at most ``rows_a_sheet`` rows (heading too) a sheet."""
    path.touch(exist_ok=False)
    with TemporaryDirectory(prefix=f".{path.name}-", dir=path.parent) as beside:
        book = xlsxwriter.Workbook(path, {"constant_memory": True, "tmpdir": beside})
        book.use_zip64()
        try:
            _write_about(book, extract)
            yield _Sheets(book, columns_of(extract), rows_a_sheet).put
            book.close()
        except XlsxWriterException as error:
            raise OSError(0, str(error)) from error
        finally:
            _let_go(book)


class _Sheets:
    """The sheets of rows; the newest is being written."""

    def __init__(self, book: Any, columns: tuple[Column, ...], rows_a_sheet: int) -> None:
        self._book = book
        self._columns = columns
        self._full = rows_a_sheet
        self._bold = book.add_format({"bold": True})
        self._date = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss.000"})
        self._count = 0
        self._begin()

    def put(self, batch: Batch) -> None:
        """Write a batch's rows."""
        writes = [_writer(column, self._date) for column in self._columns]
        for row in batch.rows():
            if self._row == self._full:
                self._begin()
            for place, cell in enumerate(row):
                if cell is not None:
                    writes[place](self._sheet, self._row, place, cell)
            self._row += 1

    def _begin(self) -> None:
        self._count += 1
        name = "Readings" if self._count == 1 else f"Readings {self._count}"
        self._sheet: Worksheet = self._book.add_worksheet(name)
        self._sheet.freeze_panes(1, 0)
        for place, column in enumerate(self._columns):
            width = 30 if place == 0 else _WIDTHS.get(column.kind, 10)
            self._sheet.set_column(place, place, width)
            self._sheet.write_string(0, place, column.name, self._bold)
        self._row = 1


_Write = Callable[[Worksheet, int, int, Any], object]


def _writer(column: Column, date: Any) -> _Write:
    if column.kind is Kind.TEXT:
        return lambda sheet, row, place, cell: sheet.write_string(row, place, cell)
    if column.kind is Kind.INSTANT:
        return lambda sheet, row, place, cell: sheet.write_number(
            row, place, cell / DAY_MS + _DAY_0, date
        )
    return _write_number


def _write_number(sheet: Worksheet, row: int, place: int, cell: Cell) -> None:
    if isinstance(cell, str):
        sheet.write_string(row, place, cell)
    elif isinstance(cell, int) and abs(cell) >= _EXACT:
        sheet.write_string(row, place, str(cell))
    else:
        sheet.write_number(row, place, cell)


def _write_about(book: Any, extract: Extract) -> None:
    sheet, bold = book.add_worksheet("About"), book.add_format({"bold": True})
    sheet.set_column(0, 0, 20)
    sheet.set_column(1, 5, 24)
    told = about(extract)
    for row, (name, words) in enumerate(told):
        sheet.write_string(row, 0, name, bold)
        sheet.write_string(row, 1, words)
    points = about_points(extract)
    for place, name in enumerate(points[0]):
        sheet.write_string(len(told) + 1, place, name, bold)
    for row, point in enumerate(points, len(told) + 2):
        for place, words in enumerate(point.values()):
            sheet.write_string(row, place, words)


def _let_go(book: Any) -> None:
    """Close what a book that was not finished still holds open."""
    for sheet in book.worksheets():
        if sheet.row_data_fh is not None and not sheet.row_data_fh.closed:
            sheet.row_data_fh.close()

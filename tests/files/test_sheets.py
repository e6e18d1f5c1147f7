"""Small tables read back: what is unknown is empty, and no text becomes a formula."""

import csv
import io
from datetime import datetime

import openpyxl

from tallymast.files.sheets import Instant, Sheet, csv_bytes, xlsx_bytes

NOON = 1_772_971_200_000  # 2026-03-08 12:00 UTC
EVIL = '=HYPERLINK("x","y")'
SHEET = Sheet(
    "Lines", ("name", "value (V)", "at (UTC)"), [(EVIL, None, Instant(NOON)), ("-b", -1.5, None)]
)


def test_csv_is_guarded_and_unknown_is_empty() -> None:
    text = csv_bytes(SHEET).decode()
    assert text.endswith("\r\n")
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert rows[1] == [f"'{EVIL}", "", "2026-03-08T12:00:00.000Z"]
    assert rows[2] == ["'-b", "-1.5", ""]  # numbers stay numbers


def test_a_spreadsheet_holds_texts_numbers_dates_and_blanks() -> None:
    about = Sheet("About", (), [("Made", "=now()")])
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes([about, SHEET], "Title", NOON)))
    assert book.sheetnames == ["About", "Lines"]
    assert book.properties.title == "Title"
    lines = book["Lines"]
    assert [cell.value for cell in lines[1]] == list(SHEET.heads)
    assert (lines["A2"].value, lines["A2"].data_type) == (EVIL, "s")
    assert (book["About"]["B1"].value, book["About"]["B1"].data_type) == ("=now()", "s")
    assert lines["B2"].value is None
    assert lines["C2"].value == datetime(2026, 3, 8, 12)
    assert (lines["B3"].value, lines["C3"].value) == (-1.5, None)

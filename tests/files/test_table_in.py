"""Files somebody sends: what each kind is taken for, and every refusal with its place."""

import io
import zipfile
from collections.abc import Callable
from typing import Any

import openpyxl
import pytest
from openpyxl.worksheet.worksheet import Worksheet

from tallymast.domain.errors import ConfigError
from tallymast.files import xlsx_in
from tallymast.files.table_in import Sent, read_sent

HEADS = ["key", "gateway", "unit"]


def refused(content: bytes, name: str = "net.csv") -> tuple[str, ...]:
    with pytest.raises(ConfigError) as caught:
        read_sent(name, content)
    return caught.value.mistakes


def book(change: Callable[[Worksheet], None] = lambda sheet: None, title: str = "Sites") -> bytes:
    made = openpyxl.Workbook()
    sheet = made.active
    sheet.title = title
    sheet.append(HEADS)
    sheet.append(["quill", "mast", 1])
    sheet.append(["osier", "mast", 2])
    change(sheet)
    held = io.BytesIO()
    made.save(held)
    return held.getvalue()


def repacked(content: bytes, change: Callable[[str, bytes], bytes]) -> bytes:
    """A package with some of its parts changed by hand."""
    held = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(held, "w", 8) as new:
        for part in old.infolist():
            new.writestr(part.filename, change(part.filename, old.read(part)))
    return held.getvalue()


# --- what is taken for what ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "is_network"),
    [
        (b'title = "Basin"\n', True),
        (b'# our network\n\n[[gateway]]\nkey = "mast"\n', True),
        (b"[[site]]\n", True),
        (b"key,name\nquill,=1\n", False),
        (b"key;name\nquill;a = b\n", False),
    ],
)
def test_content_decides_what_a_file_is(content: bytes, is_network: bool) -> None:
    found = read_sent("file", content)
    assert bool(found.text) == is_network
    assert bool(found.grids) != is_network


@pytest.mark.parametrize(
    "content",
    [
        "key,name\nquill,Dépôt\n".encode(),
        "\ufeffkey;name\r\nquill;Dépôt\r\n".encode(),
        "\ufeffkey\tname\nquill\tDépôt\n".encode("utf-16-le"),
        "\ufeffkey,name\nquill,Dépôt\n".encode("utf-16-be"),
        'sep=;\nkey;name\n"quill";"Dépôt"\n'.encode(),
    ],
)
def test_usual_encodings_and_parts_are_read(content: bytes) -> None:
    (grid,) = read_sent("s.csv", content).grids
    assert (grid.head, grid.rows) == (("key", "name"), (("quill", "Dépôt"),))
    assert grid.comma == (b";" in content)


def test_points_and_sites_are_told_apart_by_their_headings() -> None:
    assert read_sent("a", b"tag,owner\nLVL,site quill\n").grids[0].kind == "points"
    assert read_sent("a", b"unit,key\n1,quill\n").grids[0].kind == "sites"


def test_a_spreadsheet_gives_its_values_as_text() -> None:
    def fill(sheet: Worksheet) -> None:
        import datetime

        sheet.append(["teal", True, datetime.datetime(2022, 5, 1)])
        sheet.append([None, None, None])
        sheet.append(["far", 0.1, 3.0])

    (grid,) = read_sent("n.xlsx", book(fill)).grids
    assert grid.rows[2:] == (("teal", "true", "2022-05-01"), ("far", "0.1", "3"))
    assert grid.numbers == (2, 3, 4, 6)
    assert grid.where(3, 2) == "n.xlsx, sheet Sites, row 6, column C (unit)"


# --- texts ----------------------------------------------------------------------------


def test_another_encoding_is_told_with_row_and_byte() -> None:
    (said,) = refused("key,name\nquill,ok\nosier,Dépôt\n".encode("latin-1"))
    # "osier,D" has 7 bytes; é is 0xE9 = 233 in Latin-1.
    assert said.startswith("net.csv, row 3, byte 8 of it (value 233): This is not UTF-8")


def test_a_nul_byte_an_empty_file_and_other_encodings_are_told() -> None:
    assert refused(b"key,name\nqui\0ll,x\n")[0].startswith("net.csv, row 2: A NUL byte")
    assert refused("key,name\nquill,x\n".encode("utf-16-le"))[0].startswith("net.csv, row 1: A NUL")
    assert refused(b"\r\n  ") == ("net.csv: The file is empty.",)
    assert refused(b"") == ("net.csv: The file is empty.",)
    assert "UTF-32" in refused("\ufeffkey,name\n".encode("utf-32-le"))[0]
    assert "breaks off" in refused("\ufeffkey,name\n".encode("utf-16-le")[:-1])[0]


def test_rows_with_other_cells_than_the_headings_are_all_told() -> None:
    assert refused(b"key,gateway,unit\nquill,mast\nosier,mast,2,3\n") == (
        "net.csv, row 2: It has 2 cells, the headings 3; it is cut short, and empty cells would"
        " take keys away.",
        "net.csv, row 3: It has 4 cells, the headings 3; perhaps a text with a comma in it stands"
        " without quotes.",
    )


def test_many_mistakes_are_cut_short_with_their_number() -> None:
    found = refused(b"key,unit\n" + b"a,1,2\n" * 362)
    assert len(found) == 51
    assert found[-1] == "… and 312 more."


def test_a_quote_that_is_not_closed_is_told() -> None:
    (said,) = refused(b'key,name\nquill,ok\nosier,"Pond\nteal,x\n')
    assert said.startswith("net.csv, row 3: A quotation mark is not closed")


def test_a_table_without_any_known_heading_is_told() -> None:
    (said,) = refused(b"station,town\nx,y\n")
    assert "None of its headings" in said
    assert '"station", "town"' in said


def test_ten_thousand_rows_and_columns_are_refused() -> None:
    rows = b"key,unit\n" + b"".join(b"s%d,1\n" % n for n in range(10_000))
    (said,) = refused(rows)
    assert said.startswith("net.csv: It has 10000 rows; at most 5000 are read at once.")
    (said,) = refused(b"key" + b",x" * 9_999 + b"\n")
    assert said.startswith("net.csv, row 1: It has 10000 columns; at most 300")


def test_five_thousand_rows_are_read() -> None:
    rows = b"key,unit\n" + b"".join(b"s%d,1\n" % n for n in range(5_000))
    assert len(read_sent("s.csv", rows).grids[0].rows) == 5_000


@pytest.mark.parametrize(
    ("content", "word"),
    [(b"%PDF-1.7", "PDF"), (b"\x89PNG\r\n", "picture"), (b"\x1f\x8b\x08", "packed")],
)
def test_something_else_is_called_what_it_is(content: bytes, word: str) -> None:
    assert word in refused(content)[0]


# --- spreadsheets -----------------------------------------------------------------------


def test_a_formula_is_marked_at_its_cell_and_mended_by_a_value() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet["C3"] = "=C2+1"

    (grid,) = read_sent("n.xlsx", book(fill)).grids
    assert list(grid.wrong) == [(1, 2)]
    assert grid.wrong[1, 2].startswith("A formula stands here")
    assert grid.with_cell(1, 2, "2").wrong == {}


def test_a_text_that_only_looks_like_a_formula_is_none() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet["A3"] = "=C2+1"
        sheet["A3"].data_type = "s"

    (grid,) = read_sent("n.xlsx", book(fill)).grids
    assert grid.wrong == {}
    assert grid.rows[1][0] == "=C2+1"


def test_an_error_cell_comes_as_its_word() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet["C3"] = "#REF!"

    assert read_sent("n.xlsx", book(fill)).grids[0].rows[1][2] == "#REF!"


def test_merged_and_hidden_cells_are_all_told() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet.merge_cells("B2:B3")
        sheet.row_dimensions[3].hidden = True
        sheet.column_dimensions["C"].hidden = True

    found = refused(book(fill), "n.xlsx")
    assert [said.partition(":")[0] for said in found] == [
        "n.xlsx, sheet Sites, cells B2",
        "n.xlsx, sheet Sites, row 3",
        "n.xlsx, sheet Sites, column C",
    ]


def test_a_hidden_sheet_is_told() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet.parent.create_sheet("Other")
        sheet.sheet_state = "hidden"

    assert "The sheet is hidden" in refused(book(fill), "n.xlsx")[0]


def test_a_spreadsheet_without_the_sheets_says_which_it_has() -> None:
    (said,) = refused(book(title="Tabelle1"), "n.xlsx")
    assert said.startswith("n.xlsx: It has no sheet Sites or Points; its sheets are: Tabelle1.")


def test_too_many_rows_and_columns_of_a_spreadsheet_are_told() -> None:
    def rows(sheet: Worksheet) -> None:
        for n in range(5_001):
            sheet.append([f"s{n}"])

    assert refused(book(rows), "n.xlsx")[0].startswith("n.xlsx, sheet Sites: It has 5003 rows")

    def columns(sheet: Worksheet) -> None:
        sheet.cell(2, 10_000, "far")

    assert "It has 10000 columns" in refused(book(columns), "n.xlsx")[0]


def test_sheets_that_are_not_read_are_named() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet.parent.create_sheet("About")
        sheet.parent.create_sheet("Old sites")

    assert read_sent("n.xlsx", book(fill)).unread == ("Old sites",)


def test_a_row_far_below_is_not_overlooked() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet.cell(70_000, 1, "far")

    assert read_sent("n.xlsx", book(fill)).grids[0].numbers[-1] == 70_000


def test_what_is_no_spreadsheet_is_told() -> None:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as package:
        package.writestr("readme.txt", "hello")
    assert "no whole spreadsheet" in refused(held.getvalue(), "n.xlsx")[0]
    assert "damaged or cut short" in refused(book()[:-200], "n.xlsx")[0]
    # MS-CFB 2.2: the eight bytes with which older and encrypted documents begin.
    assert "encrypted" in refused(bytes.fromhex("D0CF11E0A1B11AE1") + b"\0" * 500, "n.xls")[0]


def test_an_encrypted_package_is_told() -> None:
    content = bytearray(book())
    # APPNOTE 4.4.4: bit 0 of the flags, 8 bytes into each entry of the central directory.
    place = content.index(b"PK\x01\x02")
    content[place + 8] |= 1
    assert "save it without a password" in refused(bytes(content), "n.xlsx")[0]


def test_a_small_file_that_unpacks_to_a_large_one_is_not_unpacked() -> None:
    held = io.BytesIO(book())
    with zipfile.ZipFile(held, "a", 8) as package:
        package.writestr("xl/media/zeros.bin", b"\0" * (xlsx_in.MOST_UNPACKED + 1))
    assert len(held.getvalue()) < 100_000
    assert "it is not unpacked" in refused(held.getvalue(), "n.xlsx")[0]


def test_entities_are_not_followed() -> None:
    def laugh(name: str, body: bytes) -> bytes:
        if "sheet1" not in name:
            return body
        return b'<!DOCTYPE x [<!ENTITY a "aaaaaaaa">]>' + body

    assert "it is not read" in refused(repacked(book(), laugh), "n.xlsx")[0]


def test_a_row_number_without_end_does_not_hold_up_the_server() -> None:
    def far(name: str, body: bytes) -> bytes:
        return body.replace(b'r="3"', b'r="99999999999"').replace(b'"A3"', b'"A99999999999"')

    assert refused(repacked(book(), far), "n.xlsx")


def sent_or_refused(content: bytes) -> Sent | tuple[str, ...]:
    try:
        return read_sent("file", content)
    except ConfigError as error:
        return error.mistakes


def test_any_damage_is_a_sentence_and_never_a_traceback() -> None:
    whole, found = book(), []
    for place in range(0, len(whole), 97):
        damaged: Any = bytearray(whole)
        damaged[place] ^= 0x55
        found.append(sent_or_refused(bytes(damaged)))
    assert all(one for one in found)

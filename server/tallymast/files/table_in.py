"""Finds out what a file is that somebody sends to change the network, and takes it apart.

A network file stays text; tables become grids. What the file is called does not decide: its
content does. Nothing is read of what its cells mean.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from tallymast.domain.errors import ConfigError
from tallymast.domain.setup.grids import Grid
from tallymast.domain.setup.tables import COLUMNS, TableKind
from tallymast.files.csv_in import read_csv
from tallymast.files.raw_rows import RawTable
from tallymast.files.text_in import text_of
from tallymast.files.xlsx_in import read_xlsx

_TOLD: Final = 50  # ours: nobody reads on
_ZIP: Final = b"PK\x03\x04"
_OLE: Final = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"  # MS-CFB 2.2: older and encrypted documents
_OTHERS: Final = (
    (b"%PDF", "a PDF"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"\x1f\x8b", "a packed file"),
    (b"{\\rtf", "a text document"),
)
_TOML_LINE = re.compile(r"""\s*(\[{1,2}\s*[A-Za-z"]|["']?[A-Za-z0-9_-]+["']?\s*=)""")
_ABOUT: Final = "about"  # an export says there what it is
_SHEETS: Final[dict[str, TableKind]] = {"sites": "sites", "points": "points"}


@dataclass(frozen=True, slots=True)
class Sent:
    """What a file holds: a network file's text, or tables; one of the two is empty.

    ``unread``: sheets of a spreadsheet that are no tables of a network.
    """

    text: str = ""
    grids: tuple[Grid, ...] = ()
    unread: tuple[str, ...] = ()


def read_sent(name: str, content: bytes) -> Sent:
    """Return what a file holds.

    Args:
        name: what people call it, for sentences.
        content: its bytes.

    Raises:
        ConfigError: nothing that is known here, or not whole; every mistake is told.

    """
    if not content.strip(b"\0 \r\n\t"):
        raise ConfigError(f"{name}: The file is empty.")
    if content.startswith((_ZIP, b"PK\x05\x06")):
        tables, others = read_xlsx(name, content, tuple(_SHEETS))
        unread = tuple(one for one in others if one.strip().lower() != _ABOUT)
        return Sent(grids=_grids([(one, _kind_of_sheet(one)) for one in tables]), unread=unread)
    if content.startswith(_OLE):
        raise ConfigError(
            f"{name}: It is encrypted, or a spreadsheet of an older kind (.xls); save it as .xlsx"
            " without a password."
        )
    for start, what in _OTHERS:
        if content.startswith(start):
            raise ConfigError(f"{name}: This is {what}; a network file or a table is expected.")
    text = text_of(name, content)
    if is_network_file(text):
        return Sent(text=text)
    table = read_csv(name, text)
    return Sent(grids=_grids([(table, _kind_of_head(table))]))


def is_network_file(text: str) -> bool:
    """Whether a text is written as a network file, not as a table."""
    for line in text.splitlines():
        if line.strip() and not line.lstrip().startswith("#"):
            return _TOML_LINE.match(line) is not None and not line.lower().startswith("sep=")
    return True  # remarks alone: only a network file has them


def _kind_of_sheet(table: RawTable) -> TableKind:
    return _SHEETS[table.name.rpartition("sheet ")[2].strip().lower()]


def _kind_of_head(table: RawTable) -> TableKind:
    """Return what a table's rows are: points have an owner and a tag."""
    if not table.rows:
        raise ConfigError(f"{table.name}: The file is empty.")
    heads = {head.strip().lower() for head in table.rows[0][1]}
    known = {kind: len(heads & set(columns)) for kind, columns in COLUMNS.items()}
    if not any(known.values()):
        raise ConfigError(
            f"{table.name}, row {table.rows[0][0]}: None of its headings is one of a table of"
            f" sites or points (parted by {table.part}s: {_some(table.rows[0][1])}). The first row"
            " names the columns, as key, name, gateway, unit; an export shows them all."
        )
    if heads & {"owner", "tag"}:
        return "points"
    return "sites" if "key" in heads or known["sites"] >= known["points"] else "points"


def _some(heads: tuple[str, ...]) -> str:
    shown = [f'"{head[:30]}"' for head in heads[:6]]
    return ", ".join(shown) + (" …" if len(heads) > 6 else "")


def _grids(tables: list[tuple[RawTable, TableKind]]) -> tuple[Grid, ...]:
    wrong = [said for table, _ in tables for said in _uneven(table)]
    if len(wrong) > _TOLD:
        wrong = [*wrong[:_TOLD], f"… and {len(wrong) - _TOLD} more."]
    if wrong:
        raise ConfigError(tuple(wrong))
    return tuple(_grid(table, kind) for table, kind in tables)


def _uneven(table: RawTable) -> Iterator[str]:
    """Say which rows have other cells than the headings; a spreadsheet's are never too short."""
    if not table.rows:
        yield f"{table.name}: The sheet is empty."
        return
    width = len(table.rows[0][1])
    for number, cells in table.rows[1:]:
        if any(cell.strip() for cell in cells[width:]):
            yield (
                f"{table.name}, row {number}: It has {_cells(len(cells))}, the headings {width};"
                " perhaps a text with a comma in it stands without quotes."
            )
        elif table.part and len(cells) < width:
            yield (
                f"{table.name}, row {number}: It has {_cells(len(cells))}, the headings {width}; it"
                " is cut short, and empty cells would take keys away."
            )


def _cells(count: int) -> str:
    return "1 cell" if count == 1 else f"{count} cells"


def _grid(table: RawTable, kind: TableKind) -> Grid:
    head_number, head = table.rows[0]
    width = len(head)
    rows = tuple((*cells[:width], *([""] * (width - len(cells)))) for _, cells in table.rows[1:])
    numbers = tuple(number for number, _ in table.rows[1:])
    row_of = {number: row for row, number in enumerate(numbers)} | {head_number: -1}
    return Grid(
        name=table.name,
        kind=kind,
        comma=table.comma,
        head=head,
        rows=rows,
        numbers=numbers,
        head_number=head_number,
        wrong={
            (row_of[number], column): said
            for (number, column), said in table.wrong.items()
            if column < width
        },
    )

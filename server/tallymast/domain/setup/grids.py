"""A table of a file as it was read, cell by cell, before it is known what it means."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from tallymast.domain.setup.tables import TableKind

HEAD = -1  # the row of a heading among the rows


@dataclass(frozen=True, slots=True)
class Grid:
    """One table.

    Attributes:
        name: as sentences call it: ``sites.csv``, or ``net.xlsx, sheet Points``.
        kind: what its rows are.
        comma: whether numbers may have a decimal comma.
        head: its headings.
        rows: its cells as text, each row as long as the head.
        numbers: which row of the file each row is, from 1.
        head_number: which row of the file the headings are.
        wrong: what was wrong with single cells already: (row, column) and sentence.

    """

    name: str
    kind: TableKind
    comma: bool
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...]
    head_number: int = 1
    wrong: Mapping[tuple[int, int], str] = field(default_factory=dict)

    def cell(self, row: int, column: int) -> str:
        """Return the text of a cell, of the headings for the row ``HEAD``."""
        return self.head[column] if row == HEAD else self.rows[row][column]

    def where(self, row: int, column: int | None) -> str:
        """Return how sentences name a cell: ``sites.csv, row 7, column C (unit)``."""
        number = self.head_number if row == HEAD else self.numbers[row]
        if column is None:
            return f"{self.name}, row {number}"
        head = self.head[column] if row != HEAD else ""
        return f"{self.name}, row {number}, column {letters(column)}{f' ({head})' if head else ''}"

    def with_cell(self, row: int, column: int, text: str) -> "Grid":
        """Return the table with another text in one cell."""
        wrong = {place: said for place, said in self.wrong.items() if place != (row, column)}
        if row == HEAD:
            head = (*self.head[:column], text, *self.head[column + 1 :])
            return replace(self, head=head, wrong=wrong)
        cells = (*self.rows[row][:column], text, *self.rows[row][column + 1 :])
        rows = (*self.rows[:row], cells, *self.rows[row + 1 :])
        return replace(self, rows=rows, wrong=wrong)

    def holds(self, row: int, column: int) -> bool:
        """Whether there is such a cell."""
        return HEAD <= row < len(self.rows) and 0 <= column < len(self.head)


def letters(column: int) -> str:
    """Return a spreadsheet's letters of a column counted from 0: A to Z, then AA."""
    found, rest = "", column + 1
    while rest:
        rest, digit = divmod(rest - 1, 26)
        found = chr(65 + digit) + found
    return found


def kept(grid: Grid) -> dict[str, Any]:
    """Return a table as it may be stored as JSON."""
    return {
        "name": grid.name,
        "kind": grid.kind,
        "comma": grid.comma,
        "head": list(grid.head),
        "rows": [list(row) for row in grid.rows],
        "numbers": list(grid.numbers),
        "head_number": grid.head_number,
        "wrong": [[row, column, said] for (row, column), said in grid.wrong.items()],
    }


def from_kept(stored: Mapping[str, Any]) -> Grid:
    """Return a table that was stored."""
    return Grid(
        name=stored["name"],
        kind=stored["kind"],
        comma=stored["comma"],
        head=tuple(stored["head"]),
        rows=tuple(tuple(row) for row in stored["rows"]),
        numbers=tuple(stored["numbers"]),
        head_number=stored["head_number"],
        wrong={(row, column): said for row, column, said in stored["wrong"]},
    )

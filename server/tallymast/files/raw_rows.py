"""The rows of a table as a file holds them, before headings and rows are told apart."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

MOST_ROWS: Final = 5_000  # ours: twenty times the points of a large network's profiles
MOST_COLUMNS: Final = 300  # ours: four times as many as there are keys


@dataclass(frozen=True, slots=True)
class RawTable:
    """One table.

    Attributes:
        name: as sentences call it.
        comma: whether numbers may have a decimal comma.
        rows: row number in the file and cells; without empty rows.
        part: what parts the cells, for sentences; empty in a spreadsheet.
        wrong: what is wrong with single cells: (row number, column) and sentence.

    """

    name: str
    comma: bool
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    part: str = ""
    wrong: Mapping[tuple[int, int], str] = field(default_factory=dict)


def too_many_rows(name: str, count: int | str) -> str:
    """Return the refusal of a table that is too long."""
    return (
        f"{name}: It has {count} rows; at most {MOST_ROWS} are read at once. Send it in parts:"
        " rows that are not in a file stay as they are."
    )

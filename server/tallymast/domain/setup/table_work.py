"""A reading of tables as it goes on: what it makes of the network, and what is wrong so far."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from tallymast.domain.network_file import Written
from tallymast.domain.setup.grids import Grid


@dataclass(frozen=True, slots=True)
class CellMistake:
    """What is wrong: where in words, the sentence, and the cell by table, row, column if it is one.

    The row is ``HEAD`` for a heading.
    """

    where: str
    sentence: str
    cell: tuple[int, int, int] | None = None


@dataclass(slots=True)
class Work:
    """A reading as it goes on.

    ``places`` says which row a thing of the network came from, by the place mistakes name.
    """

    grids: Sequence[Grid]
    written: Written
    mistakes: dict[tuple[str, str], CellMistake] = field(default_factory=dict)
    told: set[tuple[int, int, int]] = field(default_factory=set)
    places: dict[str, tuple[int, int]] = field(default_factory=dict)
    lacking: dict[str, list[str]] = field(default_factory=dict)  # of new things: keys, by place

    def tell(self, n: int, row: int, column: int | None, sentence: str) -> None:
        """Tell a mistake at a cell of table ``n``, or of a row where there is no column."""
        where = self.grids[n].where(row, column)
        cell = None if column is None else (n, row, column)
        self.mistakes.setdefault((where, sentence), CellMistake(where, sentence, cell))
        if cell:
            self.told.add(cell)

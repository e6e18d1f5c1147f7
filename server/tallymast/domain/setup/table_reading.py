"""Puts tables of sites and points on top of a network, row by row, and tells what is wrong.

A row meets the site of its key, or the point of its owner and tag; a new key or tag makes a new
one. A column that is not there leaves its key as it is, an empty cell takes the key away, and
what has no row stays. A cell that says what is written already changes nothing at all, so that
an export that is read again makes no difference.
"""

import copy
from collections.abc import Sequence
from dataclasses import dataclass

from tallymast.domain.network_file import Written
from tallymast.domain.setup.grids import Grid
from tallymast.domain.setup.table_grammar import tell_grammar, tell_lacking
from tallymast.domain.setup.table_heads import columns
from tallymast.domain.setup.table_rows import read_rows
from tallymast.domain.setup.table_work import CellMistake, Work


@dataclass(frozen=True, slots=True)
class Reading:
    """What comes of reading tables; ``written`` is of no use where there is a mistake."""

    written: Written
    mistakes: tuple[CellMistake, ...] = ()


def read_tables(grids: Sequence[Grid], today: Written) -> Reading:
    """Return a network with tables put on top of it.

    Args:
        grids: the tables of one file.
        today: the network as people wrote it; it stays as it is.

    """
    written = {key: value for key, value in today.items() if key not in ("site", "profile")}
    written |= {key: copy.deepcopy(today[key]) for key in ("profile", "site") if key in today}
    work = Work(grids, written)
    for n, grid in sorted(enumerate(grids), key=lambda one: one[1].kind != "sites"):
        for (row, column), sentence in grid.wrong.items():
            work.tell(n, row, column, sentence)
        found = columns(work, n, grid)
        if found is not None:
            read_rows(work, n, grid, found)
    if not work.mistakes or work.places:
        tell_grammar(work)
        tell_lacking(work)
    return Reading(written, tuple(sorted(work.mistakes.values(), key=_by_place)))


def _by_place(one: CellMistake) -> tuple[bool, tuple[int, int, int]]:
    return (one.cell is None, one.cell or (0, 0, 0))

"""Finds out which column of a table is which, by its headings."""

from collections.abc import Mapping

from tallymast.domain.grammar.mistakes import nearest, shown
from tallymast.domain.setup.grids import HEAD, Grid, letters
from tallymast.domain.setup.table_work import Work
from tallymast.domain.setup.tables import COLUMNS, IDENTITY, OWNER


def columns(work: Work, n: int, grid: Grid) -> dict[str, int] | None:
    """Return the places of the columns by name; None where rows cannot be told apart."""
    known = COLUMNS[grid.kind]
    found: dict[str, int] = {}
    for place_, head in enumerate(grid.head):
        name = head.strip().lower()
        if not name:
            if any(row[place_].strip() for row in grid.rows):
                work.tell(n, HEAD, place_, "This column has cells and no heading.")
        elif name in found:
            first = letters(found[name])
            work.tell(n, HEAD, place_, f"Column {first} is called {name} already; keep one.")
        elif name in known:
            found[name] = place_
        else:
            work.tell(n, HEAD, place_, _unknown(name, known))
    return found if _has_identity(work, n, grid, found) else None


def _unknown(name: str, known: tuple[str, ...]) -> str:
    if name.split(".", maxsplit=1)[0] in ("lock", "code", "locks"):
        return "Locks are in no table; change them by the site's form or the network file."
    return f"There is no column {shown(name)}; the nearest is {shown(nearest(name, known))}."


def _has_identity(work: Work, n: int, grid: Grid, found: Mapping[str, int]) -> bool:
    missing = [name for name in IDENTITY[grid.kind] if name not in found]
    for name in missing:
        use = {"key": "which site", OWNER: "whose point", "tag": "which point"}[name]
        work.tell(n, HEAD, None, f"The column {name} is missing; it says {use} a row is about.")
    return not missing

"""Puts the rows of a table on top of the sites or points they are about."""

from collections.abc import Mapping
from typing import Any

from tallymast.domain.grammar.mistakes import UnfitError, nearest, shown
from tallymast.domain.setup.cells import is_same, value_of
from tallymast.domain.setup.grids import Grid
from tallymast.domain.setup.table_places import put, settle_places
from tallymast.domain.setup.table_work import Work
from tallymast.domain.setup.tables import IDENTITY, OWNER, at, kind_of, owners


def read_rows(work: Work, n: int, grid: Grid, columns: Mapping[str, int]) -> None:
    """Put each row on top of what it is about; what is wrong is told at its cell.

    Args:
        work: the reading.
        n: which of its tables.
        grid: that table.
        columns: places of its columns by name.

    """
    sites = {body["key"]: body for body in work.written.get("site", [])}
    homes = owners(work.written)
    points = {
        (owner, point["tag"]): point
        for owner, body in homes.items()
        for point in body.get("point", [])
    }
    seen: dict[tuple[str, ...], int] = {}
    for row, cells in enumerate(grid.rows):
        names = tuple(cells[columns[name]].strip() for name in IDENTITY[grid.kind])
        if not _is_named(work, n, grid, row, names, columns):
            continue
        if names in seen:
            _tell_twice(work, n, row, seen[names], names, columns)
            continue
        seen[names] = row
        if grid.kind == "sites":
            home, where = work.written, f"site {names[0]}"
            body = sites.get(names[0])
        else:
            found = homes.get(names[0])
            if found is None:
                work.tell(n, row, columns[OWNER], _no_owner(names[0], homes))
                continue
            home = found
            where = f"{names[0]}.point {names[1]}"
            body = points.get((names[0], names[1]))
        work.places[where] = (n, row)
        if body is None:
            body = _new(home, grid.kind, names[-1])
            work.lacking[where] = []
        _read_row(work, (n, row), body, columns)


def _new(home: dict[str, Any], kind: str, name: str) -> dict[str, Any]:
    """Add a new site to a network, or a new point to its owner; return its body."""
    table, key = ("site", "key") if kind == "sites" else ("point", "tag")
    body = {key: name}
    home[table] = [*home.get(table, []), body]
    return body


def _is_named(
    work: Work,
    n: int,
    grid: Grid,
    row: int,
    names: tuple[str, ...],
    columns: Mapping[str, int],
) -> bool:
    for column, name in zip(IDENTITY[grid.kind], names, strict=True):
        if not name:
            work.tell(n, row, columns[column], f"The {column} is missing: whose row is this?")
    return all(names)


def _tell_twice(
    work: Work,
    n: int,
    row: int,
    first: int,
    names: tuple[str, ...],
    columns: Mapping[str, int],
) -> None:
    grid = work.grids[n]
    column = columns[IDENTITY[grid.kind][-1]]
    what = " ".join(names)
    for one, other in ((first, row), (row, first)):
        work.tell(
            n, one, column, f"Row {grid.numbers[other]} is about {what} too; keep one of them."
        )


def _no_owner(name: str, homes: Mapping[str, Any]) -> str:
    close = nearest(name, homes)
    hint = f"; the nearest is {shown(close)}" if close else ""
    return (
        f"{shown(name)} owns no points{hint}. Write profile or site and its key, as profile tank;"
        " a new profile is made by its form."
    )


def _read_row(
    work: Work, at_row: tuple[int, int], body: dict[str, Any], columns: Mapping[str, int]
) -> None:
    n, row = at_row
    grid = work.grids[n]
    changed: dict[str, Any] = {}
    for name, column in columns.items():
        kind, cell = kind_of(grid.kind, name), grid.rows[row][column]
        if name in IDENTITY[grid.kind] or is_same(cell, at(body, name), kind, grid.comma):
            continue
        if not cell.strip():
            changed[name] = None
            continue
        try:
            changed[name] = value_of(cell, kind, grid.comma)
        except UnfitError as unfit:
            work.tell(n, row, column, str(unfit))
            changed[name] = cell
    settle_places(changed, body)
    for name, value in changed.items():
        put(body, name, value)

"""Puts tables of sites and points on top of a network, row by row, and tells what is wrong.

A row meets the site of its key, or the point of its owner and tag; a new key or tag makes a new
one. A column that is not there leaves its key as it is, an empty cell takes the key away, and
what has no row stays. A cell that says what is written already changes nothing at all, so that
an export that is read again makes no difference.
"""

import copy
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from tallymast.domain.grammar.mistakes import UnfitError, nearest, shown
from tallymast.domain.network_file import Written, mistakes_in
from tallymast.domain.setup.cells import is_same, value_of
from tallymast.domain.setup.grids import HEAD, Grid, letters
from tallymast.domain.setup.tables import (
    COLUMNS,
    IDENTITY,
    OWNER,
    PLACES,
    at,
    kind_of,
    owners,
    place,
)

_MISSING = "This key is missing"


@dataclass(frozen=True, slots=True)
class CellMistake:
    """What is wrong: where in words, the sentence, and the cell by table, row, column if it is one.

    The row is ``HEAD`` for a heading.
    """

    where: str
    sentence: str
    cell: tuple[int, int, int] | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """What comes of reading tables; ``written`` is of no use where there is a mistake."""

    written: Written
    mistakes: tuple[CellMistake, ...] = ()


@dataclass(slots=True)
class _Work:
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
        where = self.grids[n].where(row, column)
        cell = None if column is None else (n, row, column)
        self.mistakes.setdefault((where, sentence), CellMistake(where, sentence, cell))
        if cell:
            self.told.add(cell)


def read_tables(grids: Sequence[Grid], today: Written) -> Reading:
    """Return a network with tables put on top of it.

    Args:
        grids: the tables of one file.
        today: the network as people wrote it; it stays as it is.

    """
    written = {key: value for key, value in today.items() if key not in ("site", "profile")}
    written |= {key: copy.deepcopy(today[key]) for key in ("profile", "site") if key in today}
    work = _Work(grids, written)
    for n, grid in sorted(enumerate(grids), key=lambda one: one[1].kind != "sites"):
        for (row, column), sentence in grid.wrong.items():
            work.tell(n, row, column, sentence)
        columns = _columns(work, n, grid)
        if columns is not None:
            _read_rows(work, n, grid, columns)
    if not work.mistakes or work.places:
        _tell_grammar(work)
        _tell_lacking(work)
    return Reading(written, tuple(work.mistakes.values()))


# --- headings ---------------------------------------------------------------------------


def _columns(work: _Work, n: int, grid: Grid) -> dict[str, int] | None:
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


def _has_identity(work: _Work, n: int, grid: Grid, found: Mapping[str, int]) -> bool:
    missing = [name for name in IDENTITY[grid.kind] if name not in found]
    for name in missing:
        use = {"key": "which site", OWNER: "whose point", "tag": "which point"}[name]
        work.tell(n, HEAD, None, f"The column {name} is missing; it says {use} a row is about.")
    return not missing


# --- rows -------------------------------------------------------------------------------


def _read_rows(work: _Work, n: int, grid: Grid, columns: Mapping[str, int]) -> None:
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
    work: _Work,
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
    work: _Work,
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
    work: _Work, at_row: tuple[int, int], body: dict[str, Any], columns: Mapping[str, int]
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
    _settle_places(changed, body)
    for name, value in changed.items():
        _put(body, name, value)


def _settle_places(changed: dict[str, Any], body: Mapping[str, Any]) -> None:
    """Let a place have one notation: the one that changed, else the one it was written in."""
    for inside in ("", "write."):
        names = {name: f"{inside}{name}" for name in ("table", "register", "reference")}
        here = {name for name, column in names.items() if column in changed}
        if not here:
            continue
        wanted = {name: changed.get(column, at(body, column)) for name, column in names.items()}
        found = {name: value for name, value in wanted.items() if value is not None}
        if _same_place(found, body, inside):
            for column in names.values():
                changed.pop(column, None)
            continue
        if here == {"reference"} and found.get("reference") is not None:
            keep = {"reference"}
        elif "reference" in here and "reference" in found and not _agree(found):
            keep = set(found)  # the grammar tells that they do not agree
        else:
            keep = set(found) - {"reference"} or set(found)
        for name, column in names.items():
            changed[column] = found[name] if name in keep else None


def _same_place(found: Mapping[str, Any], body: Mapping[str, Any], inside: str) -> bool:
    """Whether a place is the one that is written, by each of the notations."""
    home = body.get(inside.rstrip("."), {}) if inside else body
    written = place(home) if isinstance(home, Mapping) else None
    if written is None or not _agree(found):
        return False
    return place({"reference": found["reference"]}) == written


def _agree(found: Mapping[str, Any]) -> bool:
    if not {"table", "register"} <= found.keys():
        return False
    by_reference = place({"reference": found["reference"]})
    return by_reference is not None and by_reference == place(
        {"table": found["table"], "register": found["register"]}
    )


def _put(body: dict[str, Any], name: str, value: Any) -> None:
    key, _, inner = name.partition(".")
    if not inner:
        if value is None:
            body.pop(key, None)
        else:
            body[key] = value
        return
    home = body.get(key, {})
    home = dict(home) if isinstance(home, Mapping) else {}
    before = dict(home)
    if value is None:
        home.pop(inner, None)
    else:
        home[inner] = value
    if home:
        body[key] = home
    elif before:
        body.pop(key, None)


# --- what the network's grammar says ------------------------------------------------------


def _tell_grammar(work: _Work) -> None:
    for one in mistakes_in(work.written):
        found = _row_of(work, one.place)
        if found is None:
            where = f"{one.place} {one.key}".strip()
            work.mistakes.setdefault((where, one.sentence), CellMistake(where, one.sentence))
            continue
        n, row = found
        column = _column_of(work.grids[n], one.place, one.key)
        if column is None and one.sentence.startswith(_MISSING) and _has_bad_head(work, n):
            continue  # the column is there under a name that was told already
        if column is None and one.place in work.lacking:
            work.lacking[one.place].append(one.key)
        elif column is None:
            sentence = f"{one.place.partition('.')[2] or one.place} {one.key}: {one.sentence}"
            work.tell(n, row, None, sentence)
        elif (n, row, column) not in work.told:
            work.tell(n, row, column, one.sentence)


def _tell_lacking(work: _Work) -> None:
    """Say what new things lack that their table has no column for; another may have been meant."""
    for where, keys in work.lacking.items():
        if not keys:
            continue
        n, row = work.places[where]
        grid = work.grids[n]
        column = [head.strip().lower() for head in grid.head].index(IDENTITY[grid.kind][-1])
        home, _, name = where.rpartition(" ")
        others = [
            one.rpartition(" ")[2]
            for one in _known(work.written, grid.kind, home)
            if one not in work.lacking
        ]
        close = nearest(name, others)
        hint = f" If another was meant: the nearest is {shown(close)}." if close else ""
        what = "site" if grid.kind == "sites" else "point"
        work.tell(
            n,
            row,
            column,
            f"There is no {what} {shown(name)} yet; a new one needs {', '.join(keys)}.{hint}",
        )


def _known(written: Written, kind: str, home: str) -> Iterator[str]:
    if kind == "sites":
        yield from (f"site {body['key']}" for body in written.get("site", []))
        return
    owner = home.removesuffix(".point")
    for point in owners(written).get(owner, {}).get("point", []):
        yield f"{owner}.point {point['tag']}"


def _has_bad_head(work: _Work, n: int) -> bool:
    return any(grid == n and row == HEAD for grid, row, _ in work.told)


def _row_of(work: _Work, place_: str) -> tuple[int, int] | None:
    """Return the row a mistake belongs to: the thing's own, else one of what it holds."""
    for name in _outwards(place_):
        if name in work.places:
            return work.places[name]
    inside = (row for name, row in work.places.items() if name.startswith(f"{place_}."))
    return next(inside, None)


def _outwards(place_: str) -> Iterator[str]:
    yield place_
    if place_.endswith(".supply"):
        yield place_.removesuffix(".supply")


def _column_of(grid: Grid, place_: str, key: str) -> int | None:
    name = f"supply.{key}" if place_.endswith(".supply") else key
    heads = [head.strip().lower() for head in grid.head]
    tries = [name, *(one for one in heads if one.startswith(f"{name}."))]
    inside, _, last = name.rpartition(".")
    if name in PLACES:
        prefix = f"{inside}." if inside else ""
        tries += [f"{prefix}{one}" for one in ("reference", "register", "table") if one != last]
    elif inside:
        tries.append(inside)
    return next((heads.index(one) for one in tries if one in heads), None)

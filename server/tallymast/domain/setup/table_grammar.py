"""Brings what the network's grammar finds wrong back to the row and column it came from."""

from collections.abc import Iterator

from tallymast.domain.grammar.mistakes import nearest, shown
from tallymast.domain.network_file import Written, mistakes_in
from tallymast.domain.setup.grids import HEAD, Grid
from tallymast.domain.setup.table_work import CellMistake, Work
from tallymast.domain.setup.tables import IDENTITY, PLACES, owners

_MISSING = "This key is missing"


def tell_grammar(work: Work) -> None:
    """Tell what the network does not allow, each at its cell, its row, or by its place alone."""
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


def tell_lacking(work: Work) -> None:
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


def _has_bad_head(work: Work, n: int) -> bool:
    return any(grid == n and row == HEAD for grid, row, _ in work.told)


def _row_of(work: Work, place_: str) -> tuple[int, int] | None:
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

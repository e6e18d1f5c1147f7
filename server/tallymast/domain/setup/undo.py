"""Takes a change back: what a revision changed is set to what it was before, in today's network.

A revision keeps [table, key, old, new] for each thing it changed. A thing that is today as the
revision left it is simply set back; one that was changed again since is set back key by key,
and where a later change touched the very same key, that change is named instead.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tallymast.domain.setup.flat_bodies import Flat, flat, placed, rebuilt
from tallymast.domain.setup.proposals import Rename
from tallymast.domain.setup.renaming import backwards, renamed_body, renamed_network

TABLES = ("gateway", "profile", "site")

Line = Sequence[Any]  # [table, key, old, new], ["rename", table, old, new], ["order", table, …]


@dataclass(frozen=True, slots=True)
class Later:
    """A revision that came after the one to be taken back."""

    number: int
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Clash:
    """A thing that cannot be set back; ``number``: the later revision that changed it, if known."""

    what: str
    number: int | None


@dataclass(frozen=True, slots=True)
class Undone:
    """What comes of taking a revision back; ``written`` is of no use where there is a clash."""

    written: dict[str, Any]
    renamed: tuple[Rename, ...] = ()
    clashes: tuple[Clash, ...] = ()


def renames_in(lines: Iterable[Line]) -> tuple[Rename, ...]:
    """Return the renames among what a revision changed."""
    return tuple(Rename(one[1], one[2], one[3]) for one in lines if one[0] == "rename")


def undone(today: Mapping[str, Any], lines: Sequence[Line], later: Sequence[Later]) -> Undone:
    """Return today's network without what a revision changed.

    Args:
        today: the network as people wrote it.
        lines: what the revision changed.
        later: the revisions after it, oldest first.

    """
    renamed = renames_in(lines)
    if lost := _renamed_again(renamed, later):
        return Undone(dict(today), (), lost)
    back = backwards(renamed)
    found = renamed_network(today, back)
    clashes: list[Clash] = []
    for (table, key), (old, new) in _joined(lines, back, False, _renames_of(later)).items():
        result, paths = _set_back(old, new, _thing(found, table, key))
        for path in paths:
            inside = ".".join(one for one in path if one)
            what = f"{table} {key}".strip() + (f": {inside}" if inside else "")
            clashes.append(Clash(what, _last_to_touch(table, key, path, later, back)))
        _put(found, table, key, result)
    _order(found, lines)
    kept = {key: value for key, value in found.items() if value or key not in TABLES}
    return Undone(kept, back, tuple(dict.fromkeys(clashes)))


def as_of(today: Mapping[str, Any], later: Sequence[Later]) -> Undone:
    """Return the network before the first of the later revisions, and the renames that lead there.

    Args:
        today: the network as people wrote it.
        later: every revision that is taken away, oldest first.

    """
    found = dict(today)
    renamed: list[Rename] = []
    for one in reversed(later):
        renamed += backwards(renames_in(one.lines))
        for table, key, old, _ in _things(one.lines):
            _put(found, table, key, old)
        _order(found, one.lines)
    kept = {key: value for key, value in found.items() if value or key not in TABLES}
    there = {(table, body["key"]) for table in TABLES for body in kept.get(table, [])}
    return Undone(kept, tuple(one for one in _short(renamed) if (one.table, one.new) in there))


def _short(renamed: Sequence[Rename]) -> tuple[Rename, ...]:
    """Return chains of renames as one each, without those that lead back to where they began."""
    found: list[Rename] = []
    for one in renamed:
        before = next((b for b in found if b.table == one.table and b.new == one.old), None)
        if before is None:
            found.append(one)
        else:
            found[found.index(before)] = Rename(one.table, before.old, one.new)
    return tuple(one for one in found if one.old != one.new)


# --- what a revision changed ----------------------------------------------------------


def _things(lines: Iterable[Line]) -> Iterator[tuple[str, str, Any, Any]]:
    for table, key, old, new in lines:
        if table not in ("rename", "order"):
            yield table, key, old, new


def _renamed_again(renamed: Sequence[Rename], later: Sequence[Later]) -> tuple[Clash, ...]:
    return tuple(
        Clash(f"{one.table} {one.new}: its key", revision.number)
        for one in renamed
        for revision in later
        if any((r.table, r.old) == (one.table, one.new) for r in renames_in(revision.lines))
    )


def _joined(
    lines: Iterable[Line], own: Sequence[Rename], forth: bool, after: Sequence[Rename]
) -> dict[tuple[str, str], tuple[Any, Any]]:
    """Return what a revision changed by (table, key), with old and new body.

    Args:
        lines: of the revision.
        own: renames that turn the keys of its new bodies into those of its old ones, or (with
            ``forth``) those of its old ones into those of its new ones.
        forth: see above.
        after: renames that happened since; bodies are told in the keys they led to.

    """
    found: dict[tuple[str, str], tuple[Any, Any]] = {}
    for table, key, was, left in _things(lines):
        old = _by_renames(table, _by_renames(table, was, own if forth else ()), after)
        new = _by_renames(table, _by_renames(table, left, () if forth else own), after)
        name = (old or new)["key"] if table else key
        before, now = found.get((table, name), (None, None))
        found[table, name] = (before if old is None else old, now if new is None else new)
    return found


def _by_renames(table: str, body: Any, renamed: Iterable[Rename]) -> Any:
    if not table or body is None:
        return body
    for one in renamed:
        body = renamed_body(table, body, one)
    return body


# --- setting back -----------------------------------------------------------------------


def _set_back(old: Any, new: Any, now: Any) -> tuple[Any, list[tuple[str, ...]]]:
    """Return what a thing becomes, and the paths at which it is not as the revision left it."""
    if now == new:
        return old, []
    bodies = [one for one in (old, new, now) if one is not None]
    if not all(isinstance(one, Mapping) for one in bodies) or now is None or new is None:
        return (now, [()]) if now != old else (now, [])
    was, left, today = flat(old), flat(new), flat(now)
    paths = list(_clashing(was, left, today))
    if old is None:
        return (now, paths or [()])
    for path in {**was, **left}:
        if was.get(path) != left.get(path):
            today = _with(today, path, was)
    return rebuilt(today, placed(old, new, now)), paths


def _clashing(was: Flat, left: Flat, today: Flat) -> Iterator[tuple[str, ...]]:
    for path in {**was, **left}:
        if was.get(path) == left.get(path) or today.get(path) == was.get(path):
            continue
        if today.get(path) != left.get(path):
            yield path
    gone = [path for path in left if path not in was and path[-1] == ""]
    for path in today:
        if path not in left and any(path[: len(one) - 1] == one[:-1] for one in gone):
            yield path


def _with(today: Flat, path: tuple[str, ...], was: Flat) -> Flat:
    if path in was:
        return {**today, path: was[path]}
    return {one: value for one, value in today.items() if one != path}


def _thing(written: Mapping[str, Any], table: str, key: str) -> Any:
    if not table:
        return written.get(key)
    return next((body for body in written.get(table, []) if body["key"] == key), None)


def _put(written: dict[str, Any], table: str, key: str, body: Any) -> None:
    if not table:
        if body is None:
            written.pop(key, None)
        else:
            written[key] = body
        return
    bodies = list(written.get(table, []))
    places = [n for n, one in enumerate(bodies) if one["key"] == key]
    if not places and body is not None:
        bodies.append(body)
    elif places and body is None:
        del bodies[places[0]]
    elif places:
        bodies[places[0]] = body
    written[table] = bodies


def _order(written: dict[str, Any], lines: Iterable[Line]) -> None:
    """Put tables back into the order they had, as far as they are still there."""
    for line in lines:
        if line[0] == "order":
            rank = {key: n for n, key in enumerate(line[2])}
            bodies = written.get(line[1], [])
            kept = sorted((one for one in bodies if one["key"] in rank), key=_rank_in(rank))
            later = iter(kept)
            written[line[1]] = [next(later) if one["key"] in rank else one for one in bodies]


def _rank_in(rank: Mapping[str, int]) -> Any:
    def of(body: Mapping[str, Any]) -> int:
        return rank[body["key"]]

    return of


# --- who changed it since --------------------------------------------------------------


def _last_to_touch(
    table: str,
    key: str,
    path: tuple[str, ...],
    later: Sequence[Later],
    back: Sequence[Rename],
) -> int | None:
    for n in range(len(later) - 1, -1, -1):
        after = [*_renames_of(later[n + 1 :]), *back]
        own = renames_in(later[n].lines)
        old, new = _joined(later[n].lines, own, True, after).get((table, key), (None, None))
        if (old is not None or new is not None) and _touches(old, new, path):
            return later[n].number
    return None


def _touches(old: Any, new: Any, path: tuple[str, ...]) -> bool:
    if not path or not isinstance(old, Mapping) or not isinstance(new, Mapping):
        return True
    return flat(old).get(path) != flat(new).get(path)


def _renames_of(later: Iterable[Later]) -> list[Rename]:
    return [one for revision in later for one in renames_in(revision.lines)]

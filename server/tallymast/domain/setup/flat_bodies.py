"""Takes the body of one thing apart into paths and values, and puts it together again.

Paths are keys, one inside the other: ``("supply", "kind")``, ``("point", "LVL", "unit")``. A
table in braces and a point have a path of their own that ends with an empty part, so that an
empty one is not lost. Locks stay whole: two of them may be on the same gate.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

Flat = dict[tuple[str, ...], Any]


def flat(body: Mapping[str, Any] | None) -> Flat:
    """Return the values of a body by their paths; empty for None."""
    return {} if body is None else dict(_paths(body, ()))


def rebuilt(values: Flat, tags: Sequence[str]) -> dict[str, Any]:
    """Return the body that ``flat`` took apart, its points in the order of ``tags``."""
    body: dict[str, Any] = {}
    points: dict[str, dict[str, Any]] = {tag: {} for tag in tags if ("point", tag, "") in values}
    for whole, value in values.items():
        is_points = whole[0] == "point" and len(whole) > 1
        home, path = (points.setdefault(whole[1], {}), whole[2:]) if is_points else (body, whole)
        for part in path[:-1]:
            home = home.setdefault(part, {})
        if path[-1]:
            home[path[-1]] = value
    if points:
        body["point"] = [{"tag": tag, **inside} for tag, inside in points.items()]
    return body


def placed(old: Mapping[str, Any], new: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """Return the tags of a thing in order, after its points were set back from new to old."""
    before, left, today = _tags(old), _tags(new), _tags(now)
    if today == left:
        return before
    kept = list(today)
    for n, tag in enumerate(before):
        if tag not in kept:
            ahead = [kept.index(one) for one in before[:n] if one in kept]
            kept.insert(max(ahead, default=-1) + 1, tag)
    return kept


def _tags(body: Mapping[str, Any]) -> list[str]:
    return [point["tag"] for point in body.get("point", [])]


def _paths(
    body: Mapping[str, Any], inside: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], Any]]:
    for key, value in body.items():
        path = (*inside, key)
        if key == "point" and not inside:
            for point in value:
                yield (*path, point["tag"], ""), True
                bare = {name: one for name, one in point.items() if name != "tag"}
                yield from _paths(bare, (*path, point["tag"]))
        elif isinstance(value, Mapping):
            yield (*path, ""), True
            yield from _paths(value, path)
        else:
            yield path, value

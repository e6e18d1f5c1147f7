"""Writes cells into a body: keys in braces, and places in one of their two notations."""

from collections.abc import Mapping
from typing import Any

from tallymast.domain.setup.tables import at, place


def settle_places(changed: dict[str, Any], body: Mapping[str, Any]) -> None:
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


def put(body: dict[str, Any], name: str, value: Any) -> None:
    """Write a value under a column's name, None takes it away; an emptied table in braces goes."""
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

"""Gives a thing of a written network another key, wherever the network speaks of it."""

from collections.abc import Iterable, Mapping
from typing import Any

from tallymast.domain.setup.proposals import Rename

_SPEAKS_OF = {"gateway": ("gateway",), "profile": ("profile",), "site": ("via",)}  # keys of a site


def renamed_network(written: Mapping[str, Any], renamed: Iterable[Rename]) -> dict[str, Any]:
    """Return a network in which each rename has happened, in turn; ``written`` stays as it is."""
    found = dict(written)
    for one in renamed:
        for table in ("gateway", "profile", "site"):
            if table in found:
                found[table] = [renamed_body(table, body, one) for body in found[table]]
    return found


def renamed_body(table: str, body: Mapping[str, Any], one: Rename) -> dict[str, Any]:
    """Return one thing's body with a key replaced: its own, or one of those it speaks of."""
    found = dict(body)
    if table == one.table and found.get("key") == one.old:
        found["key"] = one.new
    if table == "site":
        for key in _SPEAKS_OF[one.table]:
            if found.get(key) == one.old:
                found[key] = one.new
    return found


def backwards(renamed: Iterable[Rename]) -> tuple[Rename, ...]:
    """Return the renames that take these back, the last one first."""
    return tuple(Rename(one.table, one.new, one.old) for one in reversed(tuple(renamed)))

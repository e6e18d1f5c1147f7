"""Builds a site's locks; what opens them is repeated in no sentence."""

from collections.abc import Mapping
from typing import Any

from tallymast.domain.grammar.keys import LOCK, doubtful, read_keys, require, tables_in
from tallymast.domain.grammar.mistakes import Mistakes
from tallymast.domain.model import Lock

_NEEDED = {"where": "what the lock is on, as a gate or a cabinet"}


def build_locks(site: Mapping[str, Any], place: str, mistakes: Mistakes) -> tuple[Lock, ...]:
    """Return a site's locks in the order of the file; what is wrong with them is told."""
    if not isinstance(site.get("lock", []), Mapping | list):  # it may hold a code: do not repeat it
        mistakes.add(
            place, "lock", "Tables headed [[site.lock]] fit here, each with where and code."
        )
        return ()
    locks = []
    for n, table in enumerate(tables_in(site, "lock", place, mistakes, "site.lock"), 1):
        here = f"{place}.lock number {n}"
        keys = read_keys(table, LOCK, here, mistakes)
        require(keys.keys() | doubtful(table, keys, LOCK), _NEEDED, here, mistakes)
        if "where" in keys:
            locks.append(Lock(keys["where"], keys.get("code", "")))
    return tuple(locks)

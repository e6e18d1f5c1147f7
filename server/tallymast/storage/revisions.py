"""Writes down every change of the network so that it can be read, and undone.

A difference holds whole sites, the codes of their locks too: it is never shown as it is.
"""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, insert

from tallymast.domain.network_file import differences
from tallymast.storage import schema
from tallymast.storage.changes import canonical
from tallymast.storage.renames import Renames

Written = dict[str, Any]  # a network file as nested dicts, lists and JSON types

TABLES = ("gateway", "profile", "site")
TOLD = 3  # so many differences a sentence tells one by one


def add_revision(
    conn: Connection,
    before: Written,
    after: Written,
    actor: str,
    source: str,
    at_ms: int,
    renamed: Renames = (),
    undoes: int | None = None,
    sentence: str = "",
) -> int:
    """Add a revision with its inverse-able difference and a sentence; return its number."""
    diff = _diff(before, after)
    diff += [["rename", one.table, one.old, one.new] for one in renamed]
    row = {
        "undoes_id": undoes,
        "at_ms": at_ms,
        "actor": actor,
        "source": source,
        "sentence": sentence or _sentence(before, after, diff),
        "diff": canonical([*diff, *_orders(before, after)]),
    }
    table = schema.revision
    return int(conn.execute(insert(table).returning(table.c.id), row).scalar_one())


def _diff(before: Written, after: Written) -> list[list[Any]]:
    """Return [table, key, old, new] for everything that differs: its inverse undoes it."""
    diff: list[list[Any]] = []
    for table in ("", *TABLES):
        old, new = _by_key(before, table), _by_key(after, table)
        for key in sorted(old.keys() | new.keys()):
            if old.get(key) != new.get(key):
                diff.append([table, key, old.get(key), new.get(key)])
    return diff


def _orders(before: Written, after: Written) -> list[list[Any]]:
    """Return ["order", table, old, new] where putting things back one by one would mix them up."""
    found: list[list[Any]] = []
    for table in TABLES:
        old, new = list(_by_key(before, table)), list(_by_key(after, table))
        back = [key for key in new if key in old] + sorted(key for key in old if key not in new)
        if back != old:
            found.append(["order", table, old, new])
    return found


def _by_key(written: Written, table: str) -> dict[str, Any]:
    if not table:
        return {key: value for key, value in written.items() if key not in TABLES}
    return {body["key"]: body for body in written.get(table, [])}


def _sentence(before: Written, after: Written, diff: Sequence[Sequence[Any]]) -> str:
    if not before:
        gateways, sites = len(after.get("gateway", [])), len(after.get("site", []))
        return f"First network: {gateways} gateways, {sites} sites."
    if not diff:
        return "Stored again without a change."
    renames = [
        f"{what.capitalize()} {old} is {new} now."
        for kind, what, old, new in diff
        if kind == "rename"
    ]
    told = () if renames else differences(before, after)
    if 0 < len(told) <= TOLD:
        return " ".join(told)
    if renames:
        return " ".join(renames[:TOLD])
    what = [f"{table} {key}".strip() for table, key, _, _ in diff]
    more = f" and {len(what) - 3} more" if len(what) > 3 else ""
    return f"Changed {', '.join(what[:3])}{more}."

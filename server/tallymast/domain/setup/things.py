"""Finds one thing of a written network, and puts another in its place without touching the rest.

A thing is the network's top, a gateway, profile or site, or a point of a profile or site. Where
its key changes, whatever names it is changed along.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from tallymast.domain.grammar.keys import GATEWAY, NETWORK, POINT, PROFILE, SITE
from tallymast.domain.network_file import Written
from tallymast.domain.setup.proposals import Rename

_GRAMMARS: Mapping[str, Mapping[str, Any]] = {
    "network": NETWORK,
    "gateway": GATEWAY,
    "profile": PROFILE,
    "site": SITE,
}
_LISTS = ("gateway", "profile", "site")
_LINKS = (("deviation", "from"), ("feedback", "tag"), ("interlock", "tag"), ("auto", ""))


@dataclass(frozen=True, slots=True)
class Thing:
    """One thing of a network.

    Attributes:
        table: ``network``, ``gateway``, ``profile`` or ``site``.
        key: of the gateway, profile or site; empty for a new one and for the network.
        is_point: whether it is a point of that profile or site.
        tag: of the point; empty for a new one.

    """

    table: str
    key: str = ""
    is_point: bool = False
    tag: str = ""

    @property
    def owner(self) -> "Thing":
        """The profile or site a point belongs to; anything else itself."""
        return replace(self, is_point=False, tag="")

    @property
    def is_new(self) -> bool:
        """Whether it is not there yet."""
        return not self.tag if self.is_point else not self.key and self.table != "network"


def find(written: Written, thing: Thing) -> Written | None:
    """Return what is written of a thing; None where there is no such one, or it is new."""
    if thing.table == "network":
        return {key: value for key, value in written.items() if key not in _LISTS}
    if thing.is_point:
        owner = find(written, thing.owner) or {}
        return next((one for one in owner.get("point", []) if one.get("tag") == thing.tag), None)
    return next((one for one in written.get(thing.table, []) if one.get("key") == thing.key), None)


def put(written: Written, thing: Thing, body: Written) -> Written:
    """Return a network with ``body`` in a thing's place; a new thing comes last."""
    if thing.table == "network":
        rest = {key: value for key, value in written.items() if key in _LISTS}
        return _ordered({**body, **rest}, NETWORK)
    if not thing.is_point:
        changed = _in_list(written.get(thing.table, []), "key", thing.key, body, thing.table)
        return _follow_key({**written, thing.table: changed}, thing, str(body.get("key", "")))
    owner = find(written, thing.owner) or {}
    points = _in_list(owner.get("point", []), "tag", thing.tag, body, "")
    whole = put(written, thing.owner, {**owner, "point": points})
    return _follow_tag(whole, thing, str(body.get("tag", "")))


def remove(written: Written, thing: Thing) -> Written:
    """Return a network without a thing."""
    if not thing.is_point:
        kept = [one for one in written.get(thing.table, []) if one.get("key") != thing.key]
        rest = {key: value for key, value in written.items() if key != thing.table}
        return {**rest, thing.table: kept} if kept else rest
    owner = dict(find(written, thing.owner) or {})
    points = [one for one in owner.pop("point", []) if one.get("tag") != thing.tag]
    return put(written, thing.owner, {**owner, "point": points} if points else owner)


def renames(thing: Thing, body: Written) -> tuple[Rename, ...]:
    """Return the key that becomes another and keeps its history, if one does."""
    new = body.get("key")
    if thing.is_point or not thing.key or new == thing.key or not isinstance(new, str):
        return ()
    return (Rename(thing.table, thing.key, new),)


def users_of(written: Written, thing: Thing) -> list[str]:
    """Return the keys of the sites that name a gateway, profile or site."""
    link = "via" if thing.table == "site" else thing.table
    return [str(one["key"]) for one in written.get("site", []) if one.get(link) == thing.key]


def place_of(thing: Thing, body: Written, written: Written) -> str:
    """Return how mistakes name a thing with ``body`` in its place, as ``site tern.point LVL``.

    Args:
        thing: which.
        body: what is written of it.
        written: the network it was put into.

    """
    if thing.table == "network":
        return ""
    if not thing.is_point:
        return _numbered(thing.table, "key", body, written.get(thing.table, []))
    owner = find(written, thing.owner) or {}
    here = _numbered("point", "tag", body, owner.get("point", []))
    return f"{thing.table} {thing.key}.{here}"


def key_from(name: str, taken: set[str], longest: int = 40) -> str:
    """Return a key made of a name, one that is not taken; empty where a name has no letter."""
    plain = "".join(one if one.isascii() and one.isalnum() else "-" for one in name.lower())
    stem = "-".join(part for part in plain.split("-") if part)[: longest - 3].strip("-")
    used = {one.casefold() for one in taken} | {"new"}  # the address of the form of a new one
    if not stem or stem not in used:
        return stem
    return next(f"{stem}-{n}" for n in range(2, 1000) if f"{stem}-{n}" not in used)


def free_unit(written: Written, gateway: str) -> int | None:
    """Return the lowest unit address no site in use has behind a gateway; None where all are."""
    taken = set(units_taken(written, gateway))
    return next((unit for unit in range(1, 248) if unit not in taken), None)


def units_taken(written: Written, gateway: str) -> dict[int, str]:
    """Return the unit addresses in use behind a gateway, each with its site's key, in order."""
    found = {
        one["unit"]: str(one.get("name", one.get("key")))
        for one in written.get("site", [])
        if one.get("gateway") == gateway and "retired" not in one and isinstance(one["unit"], int)
    }
    return dict(sorted(found.items()))


# --- inside ---------------------------------------------------------------------------


def _in_list(tables: list[Written], by: str, key: str, body: Written, table: str) -> list[Written]:
    new = _ordered(body, _GRAMMARS.get(table, POINT))
    if not key:
        return [*tables, new]
    return [new if one.get(by) == key else one for one in tables]


def _ordered(body: Written, grammar: Mapping[str, Any]) -> Written:
    known = [key for key in grammar if key in body]
    return {key: body[key] for key in (*known, *(key for key in body if key not in grammar))}


def _numbered(table: str, by: str, body: Written, tables: list[Written]) -> str:
    key = body.get(by)
    if isinstance(key, str):
        return f"{table} {key}"
    place = next((n for n, one in enumerate(tables, 1) if one.get(by) == key), len(tables))
    return f"{table} number {place}"


def _follow_key(written: Written, thing: Thing, new: str) -> Written:
    if not thing.key or not new or new == thing.key:
        return written
    link = "via" if thing.table == "site" else thing.table
    return _each_site(
        written, lambda site: {**site, link: new} if site.get(link) == thing.key else site
    )


def _follow_tag(written: Written, thing: Thing, new: str) -> Written:
    """Change a tag along where points of the same station name it, and where sites override it."""
    if not thing.tag or not new or new == thing.tag:
        return written

    def renamed(point: Written) -> Written:
        point = {**point, "tag": new} if point.get("tag") == thing.tag else point
        return _relinked(point, thing.tag, new)

    def changed(owner: Written) -> Written:
        points = owner.get("point")
        return owner if points is None else {**owner, "point": [renamed(one) for one in points]}

    if thing.table == "site":
        return _each_site(written, lambda one: changed(one) if one["key"] == thing.key else one)
    profiles = [
        changed(one) if one.get("key") == thing.key else one for one in written.get("profile", [])
    ]
    return _each_site(
        {**written, "profile": profiles},
        lambda one: changed(one) if one.get("profile") == thing.key else one,
    )


def _relinked(point: Written, old: str, new: str) -> Written:
    for outer, inner in _LINKS:
        found = point.get(outer)
        if inner and isinstance(found, Mapping) and found.get(inner) == old:
            point = {**point, outer: {**found, inner: new}}
        elif not inner and found == old:
            point = {**point, outer: new}
    return point


def _each_site(written: Written, change: Callable[[Written], Written]) -> Written:
    if "site" not in written:
        return written
    return {**written, "site": [change(one) for one in written["site"]]}

"""Tells how two network files differ, thing by thing, in sentences.

What opens a lock stands in none of them: they are written down where many may read.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from tallymast.domain.grammar.mistakes import shown

_LISTS = ("gateway", "profile", "site")


def tell_differences(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[str]:
    """Yield one sentence for each key, gateway, profile, site or point that differs.

    Args:
        old: what one file says, as ``network_file.parse`` returns it.
        new: what the other says; it has passed ``network_file.build``, as ``old`` has.

    """
    yield from _keys("The network", _without(old, *_LISTS), _without(new, *_LISTS))
    for kind in _LISTS:
        yield from _things(kind.capitalize(), old.get(kind, []), new.get(kind, []), "key")


def _things(
    what: str, old: list[Mapping[str, Any]], new: list[Mapping[str, Any]], by: str
) -> Iterator[str]:
    before = {one[by]: one for one in old}
    after = {one[by]: one for one in new}
    for key in [*before, *(key for key in after if key not in before)]:
        if key not in after:
            yield f"{what} {key} is gone."
        elif key not in before:
            yield f"{what} {key} is new."
        else:
            yield from _thing(f"{what} {key}", before[key], after[key])


def _thing(what: str, old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[str]:
    yield from _keys(what, _without(old, "point", "lock"), _without(new, "point", "lock"))
    yield from _locks(what, old.get("lock", []), new.get("lock", []))
    yield from _things(f"{what}, point", old.get("point", []), new.get("point", []), "tag")


def _locks(what: str, old: list[Mapping[str, Any]], new: list[Mapping[str, Any]]) -> Iterator[str]:
    before, after = _codes(old), _codes(new)
    for where in [*before, *(where for where in after if where not in before)]:
        lock = f"{what}, lock {shown(where)}"
        if where not in after:
            yield f"{lock} is gone."
        elif where not in before:
            yield f"{lock} is new."
        elif before[where] != after[where]:
            yield f"{lock}: its code was changed."
    if old != new and before == after:
        yield f"{what}: its locks stand in another order."


def _codes(locks: list[Mapping[str, Any]]) -> dict[str, list[str | None]]:
    found: dict[str, list[str | None]] = {}
    for lock in locks:
        found.setdefault(lock["where"], []).append(lock.get("code"))
    return found


def _keys(
    what: str, old: Mapping[str, Any], new: Mapping[str, Any], inside: str = ""
) -> Iterator[str]:
    for key in [*old, *(key for key in new if key not in old)]:
        before, after = old.get(key), new.get(key)
        if isinstance(before, Mapping) and isinstance(after, Mapping):
            yield from _keys(what, before, after, f"{inside}{key}.")
        elif key not in old:
            yield f"{what}: {inside}{key} = {_told(after)} is new."
        elif key not in new:
            yield f"{what}: {inside}{key} = {_told(before)} is gone."
        elif before != after:
            yield f"{what}: {inside}{key} was {_told(before)}, is {_told(after)}."


def _told(value: Any) -> str:
    if isinstance(value, list):
        return f"[{', '.join(_told(one) for one in value)}]"
    if isinstance(value, Mapping):
        return f"{{ {', '.join(f'{key} = {_told(one)}' for key, one in value.items())} }}"
    return shown(value)


def _without(table: Mapping[str, Any], *keys: str) -> dict[str, Any]:
    return {key: value for key, value in table.items() if key not in keys}

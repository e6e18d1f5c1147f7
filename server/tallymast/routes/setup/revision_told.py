"""Says what a revision changed, without what opens locks."""

from collections.abc import Iterator, Sequence
from typing import Any

from tallymast.domain.network_file import differences
from tallymast.domain.setup.renaming import renamed_network
from tallymast.domain.setup.undo import TABLES, Line, renames_in

_MANY = {"gateway": "gateways", "profile": "profiles", "site": "sites"}


def told(lines: Sequence[Line]) -> tuple[str, ...]:
    """Return one sentence for each thing a revision changed."""
    old, new = _half(lines, 2), _half(lines, 3)
    renamed = renames_in(lines)
    names = (
        f"{one.table.capitalize()} {one.old} became {one.new} and kept its history."
        for one in renamed
    )
    return (*names, *differences(renamed_network(old, renamed), new), *_orders(lines))


def _half(lines: Sequence[Line], place: int) -> dict[str, Any]:
    """Return what a revision changed as a network of these things alone, before or after."""
    found: dict[str, Any] = {}
    for line in lines:
        body = line[place]
        if line[0] in TABLES and body is not None:
            found.setdefault(line[0], []).append(body)
        elif line[0] == "" and body is not None:
            found[line[1]] = body
    return found


def _orders(lines: Sequence[Line]) -> Iterator[str]:
    for line in lines:
        if line[0] == "order" and sorted(line[2]) == sorted(line[3]):
            yield f"The {_MANY[line[1]]} stand in another order."

"""Puts the Morning round's table together from kept rows: under their gateways, or in one list.

Every row is always there, hidden where it was not asked for: so the live stream finds it, and
a browser with scripts shows it again without a request.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from tallymast.routes.round_order import Asked, fits, ordered, said
from tallymast.routes.rows import SiteRow
from tallymast.routes.summary import GatewayHead

MANY: Final = 100  # ours: up to here all rows are drawn at once


@dataclass(frozen=True, slots=True)
class Group:
    """A gateway and its sites' rows."""

    head: GatewayHead
    rows: tuple[SiteRow, ...]


@dataclass(frozen=True, slots=True)
class Body:
    """One body of the table.

    ``mast`` is its gateway's key, ``sites`` the keys of its sites where their rows stand
    elsewhere; both are empty for the one list of all rows.
    """

    html: Markup
    hidden: bool = False
    mast: str = ""
    sites: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """The table as asked for, and what stands above it."""

    bodies: tuple[Body, ...]
    asked: Asked
    areas: tuple[str, ...]
    shown: int
    said: str
    many: bool = False  # so many that a phone draws only the rows that are near

    @property
    def loose(self) -> bool:
        """Whether rows stand apart from their gateways."""
        return self.asked.order != "file"


def table(groups: Sequence[Group], asked: Asked, kept: Callable[[str], Markup]) -> Table:
    """Return the table that somebody asked for.

    Args:
        groups: all gateways with their rows, in file order.
        asked: what is wanted of it.
        kept: gives the markup of an element by its id.

    """
    rows = [row for group in groups for row in group.rows]
    shown = {row.key for row in rows if fits(row, asked)} if asked.narrows else None
    loose = asked.order != "file"
    bodies = [_of_gateway(group, shown, kept, loose) for group in groups]
    if loose and groups:
        bodies.insert(0, Body(_rows(ordered(rows, asked.order), shown, kept)))
    count = len(rows) if shown is None else len(shown)
    areas = tuple(dict.fromkeys(row.area for row in rows if row.area))
    words = said(asked, count, len(rows))
    return Table(tuple(bodies), asked, areas, count, words, len(rows) > MANY)


def _of_gateway(
    group: Group, shown: set[str] | None, kept: Callable[[str], Markup], loose: bool
) -> Body:
    head = kept(f"gateway-{group.head.key}")
    if loose:
        return Body(head, True, group.head.key, " ".join(row.key for row in group.rows))
    hidden = shown is not None and not any(row.key in shown for row in group.rows)
    return Body(head + _rows(group.rows, shown, kept), hidden, group.head.key)


def _rows(rows: Sequence[SiteRow], shown: set[str] | None, kept: Callable[[str], Markup]) -> Markup:
    parts = []
    for row in rows:
        html = kept(f"site-{row.key}")
        if shown is not None and row.key not in shown:
            html = Markup(str(html).replace("<tr ", "<tr hidden ", 1))
        parts.append(html)
    return Markup("").join(parts)

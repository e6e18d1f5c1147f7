"""Which sites the Morning round shows, and in which order: by words, by need, by column.

Pure. web/static/js/round.js does the same in the browser, on the same values (data- attributes
of the rows); without scripts the query string does it here. What people see is ordered by what
people see: the supply by the lower of the two voltages in its cell, the contact by the last
answer.
"""

import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar
from urllib.parse import urlencode

LONGEST = 80  # characters of a search; no name is nearly so long
NO_NEED, NOT_ASKED = 100, 101  # ranks after those of findings (0..99)

SHOWS = {
    "all": "Every site",
    "needs": "Needs somebody",
    "silent": "Not answering",
    "supply": "Supply to watch",
}
ORDERS = {
    "file": "By gateway",
    "worst": "Worst first",
    "name": "By name",
    "supply": "Least supply first",
    "contact": "Longest silent first",
}


class Row(Protocol):
    """What a site is found and ordered by."""

    @property
    def key(self) -> str:
        """Its key in the network file."""

    @property
    def name(self) -> str:
        """Its name."""

    @property
    def area(self) -> str:
        """Its area, empty where it has none."""

    @property
    def mast(self) -> str:
        """Its gateway's name."""

    @property
    def traits(self) -> str:
        """Those of SHOWS that it is shown by, and ``paused`` where nobody asks it."""

    @property
    def rank(self) -> int:
        """The rank of the gravest finding that names it, else NO_NEED or NOT_ASKED."""

    @property
    def left(self) -> int | None:
        """What its supply is above the disconnect, in thousandths of the nominal voltage."""

    @property
    def last_answer_ms(self) -> int | None:
        """When it answered last [UTC ms]."""


AnyRow = TypeVar("AnyRow", bound=Row)


@dataclass(frozen=True, slots=True)
class Asked:
    """What somebody wants to see of the table; as it stands, everything in file order."""

    find: str = ""
    show: str = "all"
    area: str = ""
    order: str = "file"

    @property
    def narrows(self) -> bool:
        """Whether sites may be left out."""
        return bool(self.find or self.area) or self.show != "all"

    @property
    def query(self) -> str:
        """Return it as an address says it; empty where nothing is asked."""
        plain = Asked()
        asked = {name: getattr(self, name) for name in ("find", "show", "area", "order")}
        return urlencode({name: v for name, v in asked.items() if v != getattr(plain, name)})


def asked(find: str = "", show: str = "", area: str = "", order: str = "") -> Asked:
    """Return what an address asks for; a word that means nothing here asks for nothing."""
    return Asked(
        " ".join(find[:LONGEST].split()),
        show if show in SHOWS else "all",
        area[:LONGEST],
        order if order in ORDERS else "file",
    )


def fits(row: Row, wanted: Asked) -> bool:
    """Whether a site is among those that somebody wants to see."""
    if wanted.show != "all" and wanted.show not in row.traits.split():
        return False
    if wanted.area and row.area != wanted.area:
        return False
    text = folded(f"{row.name} {row.key} {row.area} {row.mast}")
    return all(word in text for word in folded(wanted.find).split())


def ordered(rows: Iterable[AnyRow], order: str) -> list[AnyRow]:
    """Return rows, given in file order, in another; what is equal stays in file order."""
    return sorted(rows, key=_KEYS[order]) if order in _KEYS else list(rows)


def folded(text: str) -> str:
    """Return a text for comparing: small letters, without accents."""
    parts = unicodedata.normalize("NFD", text.casefold())
    return "".join(one for one in parts if not unicodedata.combining(one))


def said(wanted: Asked, shown: int, among: int) -> str:
    """Return how many sites are shown of how many, and by what they were chosen."""
    count = f"{among} sites" if among != 1 else "1 site"
    parts = []
    if wanted.narrows:
        count = f"{shown} of {count}" if shown else f"No site of {among} fits"
    if wanted.show != "all":
        parts.append(SHOWS[wanted.show].lower())
    if wanted.area:
        parts.append(f"in {wanted.area}")
    if wanted.find:
        parts.append(f"found by \u201c{wanted.find}\u201d")
    if wanted.order != "file":
        parts.append(ORDERS[wanted.order].lower())
    return f"{count}: {', '.join(parts)}." if parts else f"{count}."


_DIGITS = re.compile(r"(\d+)")


def _by_name(row: Row) -> tuple[tuple[int, int, str], ...]:
    """Order by name as people count: Well 2 before Well 10."""
    return tuple(
        (0, int(part), "") if part.isdecimal() else (1, 0, part)
        for part in _DIGITS.split(folded(row.name))
        if part
    )


def _by_supply(row: Row) -> tuple[bool, int]:
    return row.left is None, row.left or 0


def _by_contact(row: Row) -> tuple[bool, int]:
    return "paused" in row.traits.split(), row.last_answer_ms or 0


def _by_rank(row: Row) -> int:
    return row.rank


_KEYS: Mapping[str, Callable[[Row], Any]] = {
    "worst": _by_rank,
    "name": _by_name,
    "supply": _by_supply,
    "contact": _by_contact,
}

"""The hardware register as its pages and its file show it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from tallymast.domain.life.part_words import part_words
from tallymast.domain.life.parts import KINDS
from tallymast.domain.model import SitePlan
from tallymast.files.harmless import csv_line
from tallymast.routes.formats import iso
from tallymast.storage.hardware import Part

_HEAD: Final = (
    "number",
    "site",
    "kind",
    "what",
    "serial",
    "firmware",
    "place",
    "count",
    "since (UTC)",
    "until (UTC)",
    "what became of it",
    "note",
    "entered by",
    "as noted",
)
_ORDER: Final = {kind: n for n, kind in enumerate(KINDS)}


@dataclass(frozen=True, slots=True)
class PartRow:
    """One entry as a page shows it; ``site`` None: in the store."""

    part: Part
    kind: str
    words: str
    site: SitePlan | None
    count: int
    ended: str


def rows_of(parts: Iterable[Part], sites: Mapping[int, SitePlan]) -> list[PartRow]:
    """Return entries as a page shows them, by kind."""
    found = [
        PartRow(
            one,
            KINDS[one.kind].word if one.kind in KINDS else one.kind,
            part_words(one),
            sites.get(one.site_id) if one.site_id is not None else None,
            int(one.detail.get("count", 1)),
            str(one.detail.get("ended", "")),
        )
        for one in parts
    ]
    return sorted(found, key=lambda row: _ORDER.get(row.part.kind, len(_ORDER)))


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a reader asks for; empty fields ask for everything.

    Attributes:
        where: ``fitted``, ``store`` or empty.

    """

    words: str = ""
    kind: str = ""
    site: str = ""
    where: str = ""

    def takes(self, row: PartRow) -> bool:
        """Return whether an entry is asked for."""
        key = row.site.site.key if row.site is not None else ""
        return (
            (not self.kind or row.part.kind == self.kind)
            and (not self.site or key == self.site)
            and (not self.where or (self.where == "store") is (row.part.site_id is None))
            and all(word in _text_of(row) for word in self.words.lower().split())
        )


def _text_of(row: PartRow) -> str:
    site = row.site.site.name if row.site is not None else "store"
    part = row.part
    told = (row.kind, row.words, part.serial, part.version, part.place, part.note, site)
    return " ".join(told).lower()


def file_of(rows: Sequence[PartRow]) -> str:
    """Return entries as comma-separated values, RFC 4180 with CR LF."""
    return csv_line(*_HEAD) + "".join(csv_line(*_cells(row)) for row in rows)


def _cells(row: PartRow) -> tuple[str, ...]:
    part = row.part
    noted = {key: one for key, one in part.detail.items() if key not in ("count", "ended")}
    return (
        str(part.id),
        row.site.site.key if row.site is not None else "",
        part.kind,
        row.words,
        part.serial,
        part.version,
        part.place,
        str(row.count),
        iso(part.from_ms) or "",
        iso(part.to_ms) or "",
        row.ended,
        part.note,
        part.actor,
        "; ".join(f"{key} {value}" for key, value in sorted(noted.items())),
    )

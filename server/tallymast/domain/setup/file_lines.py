"""Finds the line of a network file a mistake is about, by the place and key it names."""

import re
from collections.abc import Iterator
from dataclasses import dataclass

_HEADING = re.compile(r"\s*\[{1,2}\s*([A-Za-z_.]+)\s*\]")
_NAME = re.compile(r"""\s*(?:key|tag)\s*=\s*["']([^"']*)["']""")
_KEY = re.compile(r"""\s*["']?([A-Za-z0-9_-]+)["']?\s*=""")


@dataclass(slots=True)
class _Section:
    """Lines from a heading to the next; ``place`` as mistakes name it."""

    heading: str
    first: int
    place: str
    keys: dict[str, int]


def line_of(text: str, place: str, key: str) -> int | None:
    """Return the number of the line, from 1: the key's, else the heading's; None if not found."""
    for section in _sections(text):
        if section.place == place:
            return section.keys.get(key.partition(".")[0], section.first)
    return None


def _sections(text: str) -> Iterator[_Section]:
    counts: dict[str, int] = {}
    outer = ""
    current = _Section("", 1, "", {})
    for number, line in enumerate(text.splitlines(), 1):
        heading = _HEADING.match(line)
        if heading is None:
            _take(current, number, line)
            continue
        outer = _finished(current, outer)
        yield current
        current = _begun(heading[1], number, outer, counts)
    _finished(current, outer)
    yield current


def _take(section: _Section, number: int, line: str) -> None:
    name = _NAME.match(line)
    if name and section.place.endswith("\0"):
        section.place = f"{section.place[:-1].rpartition(' number ')[0]} {name[1]}"
    if key := _KEY.match(line):
        section.keys.setdefault(key[1], number)


def _begun(heading: str, number: int, outer: str, counts: dict[str, int]) -> _Section:
    table, _, inner = heading.partition(".")
    if not inner:
        counts[table] = counts.get(table, 0) + 1
        return _Section(heading, number, f"{table} number {counts[table]}\0", {})
    if inner == "supply":
        return _Section(heading, number, f"{outer}.supply", {})
    name = f"{outer}.{inner}"
    counts[name] = counts.get(name, 0) + 1
    end = "" if inner == "lock" else "\0"
    return _Section(heading, number, f"{name} number {counts[name]}{end}", {})


def _finished(section: _Section, outer: str) -> str:
    """Settle a section's place; return the place of the thing what follows may lie in."""
    section.place = section.place.removesuffix("\0")
    return section.place if "." not in section.heading else outer

"""Gathers what is said of many points into few sentences: "Upper Weir, LVL and 3 more: …"."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Said:
    """One thing said of one site, and of one of its points where ``tag`` is not empty."""

    site: str
    tag: str
    words: str


def gathered(said: Iterable[Said]) -> tuple[str, ...]:
    """Return sentences; what holds for many points or sites alike is said once."""
    by_site: dict[tuple[str, str], list[str]] = {}
    for one in said:
        by_site.setdefault((one.site, one.words), []).append(one.tag)
    by_words: dict[tuple[tuple[str, ...], str], list[str]] = {}
    for (site, words), tags in by_site.items():
        by_words.setdefault((tuple(tags), words), []).append(site)
    return tuple(_sentence(sites, tags, words) for (tags, words), sites in by_words.items())


def some(names: Iterable[str], shown: int = 2, more: str = "more") -> str:
    """Return the first names and how many more there are: ``LVL, AI2 and 3 more``."""
    found = list(names)
    if len(found) <= shown:
        return " and ".join(found)
    return f"{', '.join(found[:shown])} and {len(found) - shown} {more}"


def _sentence(sites: list[str], tags: tuple[str, ...], words: str) -> str:
    what = some(sites, more="more sites")
    named = some(tag for tag in tags if tag)
    return f"{what}, {named}: {words}." if named else f"{what}: {words}."


def each(found: Iterable[str], site: str, tag: str = "") -> Iterator[Said]:
    """Yield what was found of one site or point."""
    return (Said(site, tag, words) for words in found)

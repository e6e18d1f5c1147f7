"""Builds profiles: what stations of one make-up have in common."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from tallymast.domain.grammar.keys import PROFILE, doubtful, read_keys, require, tables_in
from tallymast.domain.grammar.mistakes import Mistakes
from tallymast.domain.grammar.point_links import Link
from tallymast.domain.grammar.points import Sketch, finish, link, sketch_points
from tallymast.domain.model import Profile, Switches

MAX_WORDS = 125  # MODBUS Application Protocol V1.1b3 §6.3 and §6.4


@dataclass(frozen=True, slots=True)
class ProfileSketch:
    """A profile as sites build on it; ``profile`` holds only the points without mistakes."""

    profile: Profile
    points: Mapping[str, Sketch]
    told: frozenset[Link]  # what is wrong between its points


def build_profiles(written: Mapping[str, Any], mistakes: Mistakes) -> dict[str, ProfileSketch]:
    """Return the profiles by key; one without a usable key is told and left out."""
    found: dict[str, ProfileSketch] = {}
    for n, table in enumerate(tables_in(written, "profile", "", mistakes, "profile"), 1):
        key = table.get("key")
        place = f"profile {key if isinstance(key, str) else f'number {n}'}"
        keys = read_keys(table, PROFILE, place, mistakes)
        max_words = keys.get("max_words", MAX_WORDS)
        sketches = sketch_points(table, place, "profile", mistakes)
        points = {tag: finish(one, place, max_words, mistakes) for tag, one in sketches.items()}
        told = link(points, points, place, mistakes)
        bad = doubtful(table, keys, PROFILE)
        require(keys.keys() | bad, {"key": "a short name sites refer to"}, place, mistakes)
        if any(other.casefold() == keys.get("key", "").casefold() for other in found):
            mistakes.add(place, "key", "Another profile has this key already; choose a new one.")
        elif "key" in keys:
            found[keys["key"]] = ProfileSketch(_profile(keys, max_words, points), points, told)
    return found


def _profile(keys: Mapping[str, Any], max_words: int, points: Mapping[str, Sketch]) -> Profile:
    return Profile(
        key=keys["key"],
        name=keys.get("name", keys["key"]),
        max_words=max_words,
        spare=keys.get("spare", ()),
        points=tuple(one.point for one in points.values() if one.point is not None),
        switches=Switches(**keys.get("switches", {})),
    )

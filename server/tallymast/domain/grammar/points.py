"""Builds points: a profile's own, and a site's on top of them, with every default filled in.

A site's point replaces the profile's key by key; a table in braces is replaced whole, so that
limits in metres never mix with limits in percent. What the keys of one point mean together is
checked in point_checks.py.
"""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any

from tallymast.domain.grammar.drafts import CONTACTS, COUNTING, LENGTHS, span_of
from tallymast.domain.grammar.keys import POINT, doubtful, read_keys, require, tables_in
from tallymast.domain.grammar.mistakes import Mistakes, UnfitError, choices, nearest, shown
from tallymast.domain.grammar.point_checks import check_point
from tallymast.domain.grammar.point_links import Link, check_links
from tallymast.domain.grammar.reference import place_of
from tallymast.domain.model import (
    Deviation,
    FailSafe,
    Feedback,
    Interlock,
    Limits,
    Point,
    PointKind,
    RateLimit,
    Table,
    WordLayout,
    WriteTarget,
)

CONTACT_WORDS = ("off", "on")  # ours: for a contact whose words were not written
FEEDBACK_WITHIN_S = 30.0  # common practice, no published source: a pump; a valve takes longer

_NEEDED = {
    "kind": f"what the point is, one of {choices(PointKind)}",
    "table": 'where it is read, as table = "input" or reference = 30005',
    "register": "its address, zero-based as on the wire, or reference = 30005 instead of both",
}
_NEEDED_INSIDE = {
    "write": {"table": 'where it is written, "coil" or "holding"', "register": "the address"},
    "fail_safe": {
        "state": 'what the station does by itself, "off", "on" or "hold"',
        "after_s": "how long without a poll it waits, in seconds",
    },
    "deviation": {
        "from": "the point of this station that shows the same, as LVL2",
        "high": "how far the two may part, in this point's own unit",
    },
    "feedback": {"tag": "the point that proves the output's effect"},
    "interlock": {"tag": "the point that must hold", "value": "what it is compared with"},
}
_PLACE = frozenset(("table", "register"))
_EITHER = (("k_factor", "volume_per_pulse"),)  # a site that writes one lifts the profile's other


@dataclass(frozen=True, slots=True)
class Sketch:
    """What was written of one point, and what became of it.

    Attributes:
        body: the keys whose values fit, a reference already as table and register.
        bad: keys from which nothing may be concluded.
        told: mistakes between keys that were told already, as (key, sentence).
        point: the point; None while something about it is wrong.

    """

    tag: str
    body: Mapping[str, Any]
    bad: frozenset[str] = frozenset()
    told: frozenset[tuple[str, str]] = frozenset()
    point: Point | None = None


def sketch_points(
    written: Mapping[str, Any], place: str, heading: str, mistakes: Mistakes
) -> dict[str, Sketch]:
    """Return the points of one profile or site by tag, key by key, not yet built."""
    found: dict[str, Sketch] = {}
    for n, table in enumerate(tables_in(written, "point", place, mistakes, f"{heading}.point"), 1):
        tag = table.get("tag")
        here = f"{place}.point {tag if isinstance(tag, str) else f'number {n}'}"
        body = read_keys(table, POINT, here, mistakes)
        bad = doubtful(table, body, POINT)
        bad |= _resolve(body, here, mistakes) | _settle_braces(body, here, mistakes)
        require(body.keys() | bad, {"tag": "the point's short name, as LVL"}, here, mistakes)
        if "tag" not in body:
            continue
        if twin := _twin(body["tag"], found):
            mistakes.add(here, "tag", f"The {heading} lists {twin} twice; keep one of them.")
        else:
            found[body["tag"]] = Sketch(body["tag"], body, frozenset(bad))
    return found


def finish(sketch: Sketch, place: str, max_words: int, mistakes: Mistakes) -> Sketch:
    """Return the sketch with its point, or without where a mistake had to be told."""
    body, here = sketch.body, f"{place}.point {sketch.tag}"
    wrong = [
        (key, f"This key is missing: {sentence}.")
        for key, sentence in _NEEDED.items()
        if key not in body and key not in sketch.bad
    ]
    point = _point(body) if all(key in body for key in _NEEDED) else None
    if point is not None:
        wrong.extend(check_point(point, body, sketch.bad, max_words))
    for key, sentence in wrong:
        if (key, sentence) not in sketch.told:
            mistakes.add(here, key, sentence)
    sound = not wrong and not sketch.bad
    told = sketch.told | set(wrong)
    return replace(sketch, told=told, point=point if sound else None)


def link(
    points: Mapping[str, Sketch],
    own: Collection[str],
    place: str,
    mistakes: Mistakes,
    told: Collection[Link] = (),
) -> frozenset[Link]:
    """Tell what is wrong between the points of one station, except what was told; return it."""
    wrong = frozenset(check_links({tag: one.point for tag, one in points.items()}, own))
    before = {sentence for _, _, sentence in told}
    for tag, key, sentence in sorted(wrong):
        if sentence not in before:
            mistakes.add(f"{place}.point {tag}", key, sentence)
    return wrong


def override(
    profile: Mapping[str, Sketch], own: Mapping[str, Sketch], place: str, mistakes: Mistakes
) -> dict[str, Sketch]:
    """Return a site's points: the profile's in their order, its own keys on top, then new ones."""
    merged = dict(profile)
    for tag, sketch in own.items():
        base = profile.get(tag)
        if base is not None:
            merged[tag] = _on_top(base, sketch)
        elif (twin := _twin(tag, profile)) or (profile and not _is_new(sketch)):
            meant = twin or nearest(tag, profile)
            mistakes.add(f"{place}.point {tag}", "tag", _not_in_profile(tag, meant))
        else:
            merged[tag] = sketch
    return merged


def _on_top(base: Sketch, own: Sketch) -> Sketch:
    lifted = {key for group in _EITHER for key in group if own.body.keys() & set(group)}
    kept = {key: value for key, value in base.body.items() if key not in lifted}
    bad = (base.bad - own.body.keys()) | own.bad
    return Sketch(own.tag, {**kept, **own.body}, bad, base.told)


def _is_new(sketch: Sketch) -> bool:
    """Whether a point was written as one of its own, not to change another."""
    return bool((sketch.body.keys() | sketch.bad) & _NEEDED.keys())


def _not_in_profile(tag: str, meant: str | None) -> str:
    return (
        f"The profile has no point {tag}; the nearest is {meant}. A new point needs its kind,"
        " table and register, and a tag that differs in more than capital letters."
    )


def _twin(tag: str, found: Mapping[str, Any]) -> str | None:
    return next((one for one in found if one.casefold() == tag.casefold()), None)


def _resolve(
    body: dict[str, Any], place: str, mistakes: Mistakes, inside: str = ""
) -> frozenset[str]:
    """Put table and register in the place of a reference; return both where that fails."""
    if "reference" not in body:
        return frozenset()
    try:
        table, register = place_of(body.pop("reference"))
    except UnfitError as unfit:
        mistakes.add(place, f"{inside}reference", str(unfit))
        return _PLACE
    other = {key: body[key] for key in _PLACE if key in body}
    body |= {"table": table, "register": register}
    if all(body[key] == value for key, value in other.items()):
        return frozenset()
    mistakes.add(
        place,
        f"{inside}reference",
        f"The reference means {table} register {register}, but"
        f" {' and '.join(f'{key} = {shown(value)}' for key, value in other.items())} is written"
        " beside it; keep one of the two.",
    )
    return _PLACE


def _settle_braces(body: dict[str, Any], place: str, mistakes: Mistakes) -> set[str]:
    """Take out and return the tables in braces that lack something."""
    bad = set()
    if "write" in body and _resolve(body["write"], place, mistakes, "write."):
        bad.add("write")
    for key, needed in _NEEDED_INSIDE.items():
        for inner, sentence in needed.items():
            if key in body and key not in bad and inner not in body[key]:
                mistakes.add(place, f"{key}.{inner}", f"This key is missing: {sentence}.")
                bad.add(key)
    for key in bad:
        del body[key]
    return bad


def _point(body: Mapping[str, Any]) -> Point:
    layout = _layout(body)
    length = body.get("length", LENGTHS.get(layout, 1))
    kind = body["kind"]
    filled: dict[str, Any] = {
        "name": body["tag"],
        "layout": layout,
        "length": length,
        "modulus": _modulus(kind, layout, length),
        "words": CONTACT_WORDS if kind in CONTACTS else None,
        **{key: value for key, value in body.items() if key not in _INSIDE},
        **{key: make(body[key]) for key, make in _INSIDE.items() if key in body},
    }
    return Point(**filled)


def _layout(body: Mapping[str, Any]) -> WordLayout:
    if "layout" in body:
        written: WordLayout = body["layout"]
        return written
    single = "bit" in body or body["table"].holds_bits or body["kind"] in CONTACTS
    return WordLayout.BOOL if single else WordLayout.UINT16


def _modulus(kind: PointKind, layout: WordLayout, length: int) -> int | None:
    """Return where a counter that climbs starts again: one above the highest it can hold."""
    span = span_of(layout, length)
    return span[1] + 1 if kind in COUNTING and span is not None and span[0] == 0 else None


def _write_target(inner: Mapping[str, Any]) -> WriteTarget:
    # The functions that write several are the default: their answer differs from the request.
    function = inner.get("function", 15 if inner["table"] is Table.COIL else 16)
    return WriteTarget(inner["table"], inner["register"], function)


def _feedback(inner: Mapping[str, Any]) -> Feedback:
    return Feedback(inner["tag"], inner.get("within_s", FEEDBACK_WITHIN_S))


def _interlock(inner: Mapping[str, Any]) -> Interlock:
    return Interlock(inner["tag"], inner.get("is", "=="), inner["value"])


_INSIDE: Mapping[str, Callable[[Mapping[str, Any]], Any]] = {
    "limits": lambda inner: Limits(**inner),
    "deviation": lambda inner: Deviation(inner["from"], inner["high"]),
    "rate_limit": lambda inner: RateLimit(**inner),
    "write": _write_target,
    "fail_safe": lambda inner: FailSafe(**inner),
    "feedback": _feedback,
    "interlock": _interlock,
}

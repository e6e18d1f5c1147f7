"""Checks the points of one station against each other: tags they name, places they share."""

from collections.abc import Collection, Iterator, Mapping
from itertools import combinations

from tallymast.domain.grammar.drafts import COUNTING, NUMBERS, OUTPUTS, Wrong
from tallymast.domain.grammar.mistakes import nearest
from tallymast.domain.grammar.reference import notation
from tallymast.domain.model import Interlock, Point, WordLayout

Link = tuple[str, str, str]  # the tag, the key (empty for the whole point), the sentence


def check_links(points: Mapping[str, Point | None], own: Collection[str]) -> Iterator[Link]:
    """Yield where points name tags that do not fit, or read and write over each other.

    Args:
        points: every tag of the station; None where the point itself has a mistake.
        own: the tags written in this place; what lies between others is told elsewhere.

    """
    sound = [point for point in points.values() if point is not None]
    for point in sound:
        if point.tag in own:
            for key, sentence in _wrong_names(point, points):
                yield (point.tag, key, sentence)
    for first, second in combinations(sound, 2):
        clash = _clash(first, second) if {first.tag, second.tag} & set(own) else None
        if clash:
            yield (second.tag if second.tag in own else first.tag, "", clash)


def _named(point: Point) -> Iterator[tuple[str, str]]:
    if point.deviation is not None:
        yield ("deviation.from", point.deviation.tag)
    if point.feedback is not None:
        yield ("feedback.tag", point.feedback.tag)
    if point.interlock is not None:
        yield ("interlock.tag", point.interlock.tag)
    if point.auto is not None:
        yield ("auto", point.auto)


def _wrong_names(point: Point, points: Mapping[str, Point | None]) -> Iterator[Wrong]:
    for key, tag in _named(point):
        if tag == point.tag:
            itself = "output" if point.kind in OUTPUTS else "point"
            yield (key, f"{tag} is this {itself} itself; name another point.")
        elif tag not in points:
            close = nearest(tag, (other for other in points if other != point.tag))
            hint = f"; the nearest is {close}" if close else ""
            yield (key, f"There is no point {tag} at this station{hint}.")
        elif (target := points[tag]) is not None:
            yield from _wrong_target(point, key, target)


def _wrong_target(point: Point, key: str, target: Point) -> Iterator[Wrong]:
    is_contact = target.layout is WordLayout.BOOL
    if key == "feedback.tag" and target.kind in OUTPUTS:
        yield (key, f"{target.tag} is an output; only an input proves what an output does.")
    elif key == "deviation.from":
        yield from _wrong_twin(point, target)
    elif key == "auto" and not is_contact:
        yield (key, f"{target.tag} is a {target.kind}; a selector is on or off.")
    elif key == "interlock.tag" and target.layout is WordLayout.TEXT:
        yield (key, f"{target.tag} is text; a number or a contact fits.")
    elif key == "interlock.tag" and is_contact and not _is_zero_or_one(point.interlock):
        yield ("interlock.value", f"{target.tag} is a contact; write 0 or 1.")


def _wrong_twin(point: Point, target: Point) -> Iterator[Wrong]:
    if target.kind not in NUMBERS or target.kind in COUNTING:
        yield ("deviation.from", f"{target.tag} is a {target.kind}; name a point that measures.")
    elif target.unit != point.unit:
        units = [one.unit or "no unit" for one in (point, target)]
        yield (
            "deviation.from",
            f"{target.tag} is in {units[1]} and {point.tag} in {units[0]}; only what has the same"
            " unit is compared.",
        )


def _is_zero_or_one(interlock: Interlock | None) -> bool:
    return interlock is None or interlock.value in (0, 1)


def _clash(first: Point, second: Point) -> str | None:
    """Return why two points cannot both be as written, or None."""
    if first.write is not None and second.write is not None:
        one, two = first.write, second.write
        if (one.table, one.register) == (two.table, two.register):
            at = f"{one.table} {one.register} ({notation(one.table, one.register)})"
            return f"{first.tag} and {second.tag} both write {at}."
    if first.table is not second.table or not _overlap(first, second):
        return None
    at = f"{second.table} {second.register} ({notation(second.table, second.register)})"
    if _same_place(first, second):
        same = _meaning(first) == _meaning(second)
        return f"{first.tag} and {second.tag} both read {at} as the same thing." if same else None
    if WordLayout.BOOL in (first.layout, second.layout):
        return None  # a bit beside others in its word, or a flag inside a wider value
    return (
        f"{first.tag} takes {_places(first)} of {first.table} and {second.tag} takes"
        f" {_places(second)}: one of the registers or layouts is wrong."
    )


def _overlap(first: Point, second: Point) -> bool:
    return (
        first.register < second.register + second.length
        and second.register < first.register + first.length
    )


def _same_place(first: Point, second: Point) -> bool:
    return (first.register, first.length) == (second.register, second.length)


def _meaning(point: Point) -> tuple[object, ...]:
    return (point.kind, point.layout, point.bit, point.raw, point.value, point.unit)


def _places(point: Point) -> str:
    last = point.register + point.length - 1
    return f"{point.register}" if last == point.register else f"{point.register} to {last}"

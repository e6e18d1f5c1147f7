"""Says what a changed point's older readings mean beside the new ones."""

from collections.abc import Iterator
from dataclasses import replace

from tallymast.domain.grammar.mistakes import plain
from tallymast.domain.grammar.reference import notation
from tallymast.domain.model import Limits, Point, PointKind, Site
from tallymast.domain.setup.telling import Said, each

_COUNTS = frozenset((PointKind.TOTALIZER, PointKind.RATE))


def point_history(name: str, before: Site, after: Site) -> Iterator[Said]:
    """Yield what becomes of the readings of one site's points.

    Args:
        name: of the site.
        before: the site as it is.
        after: as it would be.

    """
    if before.points == after.points:
        return
    old = {point.tag: point for point in before.points}
    new = {point.tag: point for point in after.points}
    added = {tag: point for tag, point in new.items() if tag not in old}
    for tag, point in old.items():
        if tag in new:
            yield from each(_changed(point, new[tag]), name, tag)
            continue
        heir = next((one for one in added.values() if is_same_place(point, one)), None)
        if heir is None:
            yield Said(name, tag, "not read any more; history stays under the tag")
        else:
            del added[heir.tag]
            yield Said(
                name,
                tag,
                f"another tag is another point: {heir.tag} begins its own history, and what was"
                f" recorded as {tag} stays under {tag}",
            )
    for tag in added:
        yield Said(name, tag, "new; recorded from this change on")


def is_same_place(one: Point, other: Point) -> bool:
    """Whether two points read the same register and bit."""
    return (one.table, one.register, one.bit) == (other.table, other.register, other.bit)


def _changed(old: Point, new: Point) -> Iterator[str]:
    if old.kind is not new.kind:
        yield (
            f"a {new.kind} from now on; older readings stay what they were read as, a {old.kind}"
        )
    yield from _place(old, new)
    yield from _scale(old, new)
    yield from _counting(old, new)
    if old.words != new.words and old.words and new.words:
        yield (
            f"older states are told in the new words too: {old.words[0]} as {new.words[0]},"
            f" {old.words[1]} as {new.words[1]}"
        )


def _place(old: Point, new: Point) -> Iterator[str]:
    if not is_same_place(old, new):
        yield (
            f"read from {place_words(new)} instead of {place_words(old)}; older readings came"
            " from there and stay"
        )
    elif _form(old) != _form(new):
        yield (
            f"read as {_form_words(new)} instead of {_form_words(old)}; older"
            " readings keep the values they were read as"
        )


def place_words(point: Point) -> str:
    """Return where a point is read, in both notations: ``input 4 (30005)``."""
    bit = "" if point.bit is None else f" bit {point.bit}"
    return f"{point.table} {point.register} ({notation(point.table, point.register)}){bit}"


def _form(point: Point) -> tuple[object, ...]:
    return (point.layout, point.length, point.word_order, point.byte_order)


def _form_words(point: Point) -> str:
    order = f", words {point.word_order}, bytes {point.byte_order}" if point.length > 1 else ""
    return f"{point.layout}{order}"


def _scale(old: Point, new: Point) -> Iterator[str]:
    if (old.raw, old.value) != (new.raw, new.value):
        limits = "; limits compare with the new one" if new.limits != Limits() else ""
        yield f"older readings keep their scale, {scale_words(old)}{limits}"
    elif old.unit != new.unit:
        yield (
            f"older readings are in {old.unit or 'no unit'}, new ones in {new.unit or 'no unit'};"
            " numbers are not converted"
        )
    if old.loop != new.loop:
        what = (
            "faults of the loop are told from now on"
            if new.loop
            else "faults of the loop are not told any more"
        )
        yield what


def scale_words(point: Point) -> str:
    """Return the ends of a point's scale: ``0 to 3.5 m``."""
    if point.value is None:
        return f"the raw number{f' in {point.unit}' if point.unit else ''}"
    unit = f" {point.unit}" if point.unit else ""
    return f"{plain(point.value[0])} to {plain(point.value[1])}{unit}"


def _counting(old: Point, new: Point) -> Iterator[str]:
    if old.modulus != new.modulus and old.kind is new.kind:
        yield (
            f"back to 0 at {_turn(new)} instead of {_turn(old)}; older counts are judged by"
            " the new figure too, where a turn lies in them"
        )
    if old.bidirectional != new.bidirectional:
        way = "both ways" if new.bidirectional else "up only"
        yield f"counts {way} from now on; older counts are judged so too"
    volume = ("volume_per_pulse", "k_factor", "volume_unit")
    if new.kind in _COUNTS and any(getattr(old, key) != getattr(new, key) for key in volume):
        yield (
            "the record keeps counts, not volumes: with the new factor"
            f" ({_factor(new)} instead of {_factor(old)}) volumes of older days come out"
            " differently too"
        )


def _turn(point: Point) -> str:
    return "no known count" if point.modulus is None else plain(point.modulus)


def _factor(point: Point) -> str:
    unit = point.volume_unit or ""
    if point.volume_per_pulse is not None:
        return f"{plain(point.volume_per_pulse)} {unit} a pulse".replace("  ", " ")
    if point.k_factor is not None:
        return f"{plain(point.k_factor)} pulses a {unit or 'unit'}"
    return "none"


def meaning(point: Point) -> Point:
    """Return what of a point a proof speaks of: limits, delays and names are left out."""
    return replace(
        point,
        name="",
        poll=point.poll.FAST,
        limits=Limits(),
        deadband=0.0,
        deviation=None,
        rate_limit=None,
        on_delay_s=None,
        off_delay_s=None,
        priority=point.priority.NORMAL,
        max_rate=None,
        feedback=None,
        interlock=None,
        auto=None,
        min_off_s=None,
        starts_per_hour=None,
        max_s=None,
        set_range=None,
        set_rate=None,
        alarm_when=None,
    )

"""Lists the points whose meaning changes: a proof made before says nothing of them any more."""

from collections.abc import Iterator

from tallymast.domain.model import Point, Site
from tallymast.domain.setup.pairs import Pairs
from tallymast.domain.setup.point_effects import is_same_place, meaning
from tallymast.domain.setup.telling import Said, gathered


def proof_effects(pairs: Pairs) -> tuple[str, ...]:
    """Return what has to be proven again, if it was proven at all; one sentence a thing."""
    said: list[Said] = []
    for pair in pairs.sites:
        if pair.before is not None and pair.after is not None and pair.after.retired is None:
            said.extend(_of_site(pairs, pair.name, pair.before, pair.after))
    return gathered(said)


def _of_site(pairs: Pairs, name: str, old: Site, new: Site) -> Iterator[Said]:
    if (pairs.new_key("gateway", old.gateway), old.unit) != (new.gateway, new.unit):
        yield Said(
            name,
            "",
            "if points were proven, then at another address; prove that the same station answers",
        )
    known = {point.tag: point for point in old.points}
    for point in new.points:
        before = known.get(point.tag)
        if before is None:
            yield Said(name, point.tag, "new, and not proven yet")
        elif meaning(before) != meaning(point):
            how = ", ".join(_how(before, point))
            yield Said(name, point.tag, f"if proven, then {how}; prove it again")


def _how(old: Point, new: Point) -> Iterator[str]:
    if old.kind is not new.kind:
        yield "as something else"
    if not is_same_place(old, new):
        yield "at another register"
    if _bare(old, "form") != _bare(new, "form"):
        yield "read in another way"
    if (old.raw, old.value) != (new.raw, new.value):
        yield "with another scale"
    if old.unit != new.unit:
        yield "in another unit"
    yield from _how_of_kind(old, new)


def _how_of_kind(old: Point, new: Point) -> Iterator[str]:
    if old.loop != new.loop:
        yield "with the loop judged otherwise"
    if old.words != new.words:
        yield "under other words"
    if (old.write, old.seconds_per_count) != (new.write, new.seconds_per_count):
        yield "written in another way"
    if old.fail_safe != new.fail_safe:
        yield "with another fall-back"
    if _bare(old, "count") != _bare(new, "count"):
        yield "with another count or factor"


def _bare(point: Point, what: str) -> tuple[object, ...]:
    if what == "form":
        return (point.layout, point.length, point.word_order, point.byte_order)
    return (point.modulus, point.k_factor, point.volume_per_pulse, point.volume_unit)

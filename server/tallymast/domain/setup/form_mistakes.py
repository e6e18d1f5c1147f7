"""Sorts what is wrong with a changed network: beside which field, and what lies elsewhere.

The sentences are the network file's; what speaks of a file's writing is said for a form.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from tallymast.domain.grammar.mistakes import Mistake
from tallymast.domain.network_file import Written, mistakes_in
from tallymast.domain.setup.fields import Groups, field_of, fields_of
from tallymast.domain.setup.things import Thing, place_of

_MISSING = "This key is missing: "
_WORDING = (
    (_MISSING, "This is needed: "),
    (", without quotes", ""),
    ("; put it in double quotes", ""),
    (" (without quotes)", ""),
    ("; in TOML a key counts to the heading above it", ""),
    ("leave the key out", "leave it empty"),
    ("This key is of no use", "This is of no use"),
    ("Two numbers in brackets are expected, as [0.0, 100.0].", "Both numbers are needed."),
    ("Two words are expected, for 0 and for 1, as", "Both words are needed, as"),
)
_WRITE = re.compile(r'\b([a-z_]+) = (?=["\[0-9])')
_PLACES = (("gateway ", "Gateway "), ("profile ", "Profile "), ("site ", "Site "))
Place = tuple[str, str]  # where a mistake is told: the place, the key

# What no two of a table share: the field it stands beside, the keys that make it, the sentence.
_UNIQUE: Mapping[str, tuple[str, tuple[str, ...], str]] = {
    "site": (
        "unit",
        ("gateway", "unit"),
        "Unit {value} behind this gateway is {name} already; two stations would answer at once.",
    ),
    "gateway": (
        "address",
        ("address",),
        "{value} is the address of {name} already; one channel is one gateway.",
    ),
}


@dataclass(frozen=True, slots=True)
class Sorted:
    """What is wrong after a change.

    Attributes:
        beside: sentences by the field they stand beside, ``lock.0.where`` for the first lock's.
        here: what is wrong with the thing as a whole.
        elsewhere: what the change breaks in other places, each saying where.

    """

    beside: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    here: tuple[str, ...] = ()
    elsewhere: tuple[str, ...] = ()

    @property
    def count(self) -> int:
        """How many there are."""
        told = sum(len(sentences) for sentences in self.beside.values())
        return told + len(self.here) + len(self.elsewhere)


def sort_mistakes(
    written: Written, thing: Thing, body: Written, groups: Groups, told: Mapping[str, str]
) -> Sorted:
    """Return what is wrong with a network into which a form's body was put.

    Args:
        written: the network with the body in its place.
        thing: what the form is about.
        body: what the form means.
        groups: the form's fields.
        told: what the form itself says, by field; it takes the place of the file's sentences.

    """
    place = place_of(thing, body, written)
    taken, settled = _taken(written, thing, body)
    told = {**taken, **told}
    beside: dict[str, tuple[str, ...]] = {key: (sentence,) for key, sentence in told.items()}
    here: list[str] = []
    elsewhere: list[str] = []
    for mistake in mistakes_in(written):
        if (mistake.place, mistake.key) in settled:
            continue
        name = _field_name(mistake, place, groups)
        sentence = for_form(mistake.sentence)
        if name is None:
            elsewhere.append(f"{_where(mistake.place)}: {sentence}")
        elif not name:
            here.append(sentence)
        elif name not in told:
            beside[name] = (*beside.get(name, ()), sentence)
    return Sorted(beside, tuple(here), tuple(elsewhere))


def unasked(sorted_: Sorted, groups: Groups, blank: Sequence[str]) -> Sorted:
    """Return the same without what is only still to be typed: needed fields that are blank."""
    waiting = {one.key for one in fields_of(groups) if one.needed and one.key in blank}
    beside = {key: told for key, told in sorted_.beside.items() if key not in waiting}
    return Sorted(beside, sorted_.here, sorted_.elsewhere)


def for_form(sentence: str) -> str:
    """Return a sentence of the network file as a form says it."""
    for before, after in _WORDING:
        sentence = sentence.replace(before, after)
    return _WRITE.sub(lambda found: f"{found[1].replace('_', ' ')} ", sentence)


def _taken(written: Written, thing: Thing, body: Written) -> tuple[dict[str, str], set[Place]]:
    """Return what another one has already, by field, and the mistakes that say so there.

    The file tells two stations of one address at the later one; a form is about the one that is
    being changed, wherever it stands.
    """
    if thing.is_point or thing.table not in _UNIQUE or "retired" in body:
        return {}, set()
    key, shared, sentence = _UNIQUE[thing.table]
    mine = tuple(body.get(one) for one in shared)
    for other in written.get(thing.table, []):
        is_other = other.get("key") != body.get("key") and "retired" not in other
        if is_other and None not in mine and tuple(other.get(one) for one in shared) == mine:
            name = str(other.get("name", other.get("key")))
            places = {(f"{thing.table} {one}", key) for one in (other.get("key"), body.get("key"))}
            return {key: sentence.format(value=body[key], name=name)}, places
    return {}, set()


def _field_name(mistake: Mistake, place: str, groups: Groups) -> str | None:
    """Return the field a mistake stands beside; empty: the whole thing, None: elsewhere."""
    key = _key_in(mistake, place)
    if key is None:
        return None
    if key.startswith("lock."):
        return key
    found = field_of(groups, key)
    return found.key if found else ""


def _key_in(mistake: Mistake, place: str) -> str | None:
    if mistake.place == place:
        return mistake.key
    inner = mistake.place.removeprefix(f"{place}.") if place else ""
    if inner == mistake.place:
        return None
    if inner == "supply":
        return f"supply.{mistake.key}"
    number = inner.removeprefix("lock number ")
    return f"lock.{int(number) - 1}.{mistake.key}" if number.isdigit() else None


def _where(place: str) -> str:
    for before, after in _PLACES:
        if place.startswith(before):
            return after + place.removeprefix(before).replace(".", ", ", 1)
    return "The network"

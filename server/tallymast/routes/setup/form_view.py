"""What a template needs of a form: each field with its inputs, what is told and what holds."""

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tallymast.domain import network_file
from tallymast.domain.network_file import Written
from tallymast.domain.setup.fields import Choices, Field, Group, Kind, Of
from tallymast.domain.setup.form_bodies import body_of, echo_of, texts_of
from tallymast.domain.setup.form_mistakes import Sorted
from tallymast.domain.setup.in_force import from_profile, in_force
from tallymast.domain.setup.lock_rows import LockRow, lock_rows, typed_rows
from tallymast.domain.setup.things import Thing, find, free_unit, key_from, units_taken
from tallymast.routes.setup.forms import Form

FLAG: Choices = (("yes", "yes"), ("no", "no"))
# Defaults that are no value but say where it comes from; "usual" before them would be odd.
_IN_WORDS = re.compile(
    r"not |no |none|nothing|never|always|direct|by |as |the |on or off|what |3 reply"
)


@dataclass(frozen=True, slots=True)
class Input:
    """One input: its name, what is in it, and its own label where a field has several."""

    name: str
    value: str
    label: str


@dataclass(frozen=True, slots=True)
class Shown:
    """One field as it stands on the page.

    Attributes:
        id: of its first input; what belongs to it is called after it.
        options: what is chosen from, empty where it is typed.
        holds: for each input, what holds where it stays empty.
        told: what is wrong with it.
        echo: what is said beside it, as a register in both notations.
        paper: its value in words, for paper.

    """

    field: Field
    id: str
    inputs: tuple[Input, ...]
    options: Choices
    holds: tuple[str, ...]
    told: tuple[str, ...]
    echo: str
    paper: str

    @property
    def is_filled(self) -> bool:
        """Whether something is in it."""
        return any(one.value for one in self.inputs)


@dataclass(frozen=True, slots=True)
class ShownGroup:
    """A group of fields; ``is_open`` where it is folded but has something to show."""

    group: Group
    id: str
    fields: tuple[Shown, ...]
    is_open: bool


@dataclass(frozen=True, slots=True)
class ShownLock:
    """One row of a site's locks; ``typed``: a new code was typed and waits to be stored."""

    row: LockRow
    typed: bool
    told: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Summary:
    """One line above a form: what is wrong, and the input to go to."""

    label: str
    sentence: str
    id: str


def shown_groups(form: Form, texts: Mapping[str, str], wrong: Sorted) -> list[ShownGroup]:
    """Return the form's groups with what is in their inputs."""
    usual = _usual(form)
    echoes = echoes_of(form, texts)
    kind = texts.get("kind", "") or str(form.below.get("kind", ""))
    found = []
    for n, group in enumerate(form.groups):
        fields = tuple(
            _shown(form, field, texts, wrong.beside.get(field.key, ()), usual, echoes)
            for field in group.fields
        )
        # A key is always there; it alone is no reason to open what is rarely needed.
        has_any = any((one.is_filled and one.field.key != "key") or one.told for one in fields)
        fits = not group.fits or kind in group.fits
        is_open = has_any or (fits and not group.folded and (bool(kind) or not group.fits))
        found.append(ShownGroup(group, f"group-{n}", fields, is_open))
    return found


def texts_opened(form: Form) -> dict[str, str]:
    """Return what is in the inputs of a form that was only opened."""
    return {**texts_of(form.fields, form.body), **form.prefilled}


def shown_locks(
    form: Form, texts: Mapping[str, str] | None, codes: Mapping[str, str], wrong: Sorted
) -> list[ShownLock]:
    """Return the rows of a site's locks."""
    locks = form.body.get("lock", [])
    rows = lock_rows(locks) if texts is None else typed_rows(texts, locks)
    beside = wrong.beside
    return [
        ShownLock(
            row,
            f"lock.{row.number}.code" in codes,
            (
                *beside.get(f"lock.{row.number}.where", ()),
                *beside.get(f"lock.{row.number}.code", ()),
            ),
        )
        for row in rows
    ]


def summary(form: Form, wrong: Sorted) -> list[Summary]:
    """Return a line for everything that is wrong, in the order of the form."""
    labels = {field.key: field.label for field in form.fields}
    lines = [
        Summary(labels[key], sentence, id_of(key))
        for key in labels
        for sentence in wrong.beside.get(key, ())
    ]
    lines += [
        Summary("Locks", sentence, id_of(key) if key.count(".") else "locks")
        for key, sentences in wrong.beside.items()
        if key.startswith("lock")
        for sentence in sentences
    ]
    lines += [Summary("", sentence, "") for sentence in (*wrong.here, *wrong.elsewhere)]
    return lines


def echoes_of(form: Form, texts: Mapping[str, str]) -> dict[str, str]:
    """Return what is said beside fields while they are filled in, by the field's key."""
    body, _ = body_of(form.fields, texts, form.body, form.below)
    said = {
        field.key: echo_of(field, body, form.below)
        for field in form.fields
        if field.kind is Kind.ADDRESS
    }
    if form.thing.table == "site" and not form.thing.is_point:
        said["unit"] = _units(form, str(body.get("gateway", "")))
    if form.thing.is_new and not form.thing.is_point and not texts.get("key"):
        taken = {str(one.get("key")) for one in form.written.get(form.thing.table, [])}
        key = key_from(str(body.get("name", "")), taken)
        said["key"] = f"It will be {key}." if key else "It is made of the name."
    return said


def id_of(key: str) -> str:
    """Return the id of a field's first input."""
    return f"f-{key.replace('.', '-')}"


def options_of(form: Form, field: Field) -> Choices:
    """Return what is chosen from; empty where a field is typed."""
    if field.kind is Kind.FLAG:
        return FLAG
    if field.of is None:
        return field.words
    if field.of is Of.TAGS:
        return _tags(form)
    table = field.of.value.removesuffix("s")
    known = [one for one in form.written.get(table, []) if one.get("key") != form.thing.key]
    if table != "site":
        known = form.written.get(table, [])
    return tuple((str(one["key"]), str(one.get("name", one["key"]))) for one in known)


def names_taken(form: Form) -> str:
    """Return the names, in lower case, or the tags that are there already, as a JSON list."""
    thing = form.thing
    if not thing.is_point:
        known = [one.get("name", one.get("key")) for one in form.written.get(thing.table, [])]
    else:
        known = [value for value, _ in _tags(form)]
    return json.dumps([str(one).lower() for one in known])


def _shown(
    form: Form,
    field: Field,
    texts: Mapping[str, str],
    told: Sequence[str],
    usual: Mapping[str, str],
    echoes: Mapping[str, str],
) -> Shown:
    labels = field.ends if field.ends[0] else ("", f"{field.label}, its table")
    inputs = tuple(
        Input(name, texts.get(name, ""), label)
        for name, label in zip(field.inputs, labels, strict=False)
    )
    options = options_of(form, field)
    value = inputs[0].value
    if options and value and value not in dict(options):
        options = (*options, (value, f"{value} (there is no such one)"))
    holds = _holds(form, field, usual)
    return Shown(
        field,
        id_of(field.key),
        inputs,
        options,
        holds,
        tuple(told),
        echoes.get(field.key, ""),
        _paper(field, inputs, options, holds),
    )


def _holds(form: Form, field: Field, usual: Mapping[str, str]) -> tuple[str, ...]:
    """Return what each input says while it is empty."""
    said = [usual.get(name, "") for name in field.inputs]
    is_theirs = any(said)
    said = said if is_theirs else [field.usual, *said[1:]]
    chosen = ": " if options_of(form, field) else " "
    before = "profile: " if is_theirs and form.below else f"usual{chosen}"
    names_a_choice = any(words.startswith(said[0]) for _, words in options_of(form, field))
    if not is_theirs and not names_a_choice and _IN_WORDS.match(field.usual):
        before = ""
    return tuple(f"{before if n == 0 else ''}{one}" if one else "" for n, one in enumerate(said))


def _paper(field: Field, inputs: Sequence[Input], options: Choices, holds: Sequence[str]) -> str:
    known = dict(options)
    texts = [known.get(one.value, one.value) for one in inputs if one.value]
    if not texts:
        return " ".join(one for one in holds if one)
    joined = (" to " if field.kind is Kind.PAIR else ", ").join(texts)
    lines = joined if field.kind is Kind.LONG else ", ".join(joined.splitlines())
    return f"{lines} {field.unit}".strip()


def _usual(form: Form) -> dict[str, str]:
    if form.below:
        return from_profile(form.groups, form.below)
    if form.thing.is_new:
        return {}
    network = network_file.build(form.written, "")
    return in_force(network, form.thing, form.groups, form.body)


def _units(form: Form, gateway: str) -> str:
    taken = units_taken(form.written, gateway)
    others = {unit: name for unit, name in taken.items() if unit != form.body.get("unit")}
    if not gateway or not others:
        return ""
    free = free_unit(form.written, gateway)
    listed = ", ".join(f"{unit} {name}" for unit, name in others.items())
    return f"The next free one is {free}. Taken: {listed}."


def _tags(form: Form) -> Choices:
    owner: Written = find(form.written, Thing(form.thing.table, form.thing.key)) or {}
    points = {str(one.get("tag")): one for one in owner.get("point", [])}
    if form.thing.table == "site":
        profile = find(form.written, Thing("profile", str(owner.get("profile", "")))) or {}
        base = {str(one.get("tag")): one for one in profile.get("point", [])}
        points = {**base, **{tag: {**base.get(tag, {}), **one} for tag, one in points.items()}}
    return tuple(
        (tag, f"{tag}, {one['name']}" if "name" in one else tag)
        for tag, one in points.items()
        if tag != form.thing.tag
    )

"""Joins what a person typed with what somebody else stored meanwhile, field by field."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tallymast.domain.grammar.mistakes import shown
from tallymast.domain.setup.fields import Field, Kind
from tallymast.domain.setup.form_bodies import Body, Texts, texts_of


@dataclass(frozen=True, slots=True)
class Merged:
    """A form after somebody else changed the same thing.

    Attributes:
        texts: what is in its inputs: what was typed, and theirs where nothing was.
        clashes: by field: what they wrote where something else was typed.

    """

    texts: Mapping[str, str]
    clashes: Mapping[str, str]


def merge(fields: Sequence[Field], typed: Texts, was: Body, now: Body) -> Merged:
    """Return a form that keeps what was typed and takes over what they changed elsewhere.

    Args:
        fields: the form's.
        typed: what is in its inputs.
        was: the body it was opened with.
        now: the body as they stored it.

    """
    before, theirs = texts_of(fields, was), texts_of(fields, now)
    texts = dict(typed)
    clashes: dict[str, str] = {}
    for field in fields:
        names = field.inputs
        if not any(name in typed for name in names):
            continue
        mine = [_plain(typed.get(name, "")) for name in names]
        old = [_plain(before[name]) for name in names]
        new = [_plain(theirs[name]) for name in names]
        if mine == old:
            texts.update((name, theirs[name]) for name in names)
        elif new not in (old, mine):
            clashes[field.key] = f"Meanwhile {_words(field, new)} was stored here."
    return Merged(texts, clashes)


def _plain(text: str) -> str:
    return text.replace("\r\n", "\n").strip()


def _words(field: Field, texts: Sequence[str]) -> str:
    if not any(texts):
        return "nothing"
    words = dict(field.words) if field.kind is Kind.CHOICE else {}
    return " and ".join(shown(words.get(one, one)) for one in texts if one)

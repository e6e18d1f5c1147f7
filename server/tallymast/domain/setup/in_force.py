"""Says what holds where a form's field is left empty: the default in force, with its unit."""

from collections.abc import Mapping
from datetime import date
from enum import StrEnum
from typing import Any

from tallymast.domain.grammar.mistakes import plain
from tallymast.domain.model import Network, Site
from tallymast.domain.setup.fields import Field, Groups, Kind, fields_of
from tallymast.domain.setup.form_bodies import Body, texts_of
from tallymast.domain.setup.things import Thing

_ATTRIBUTES = {"class": "site_class"}  # a keyword cannot be an attribute


def in_force(network: Network, thing: Thing, groups: Groups, body: Body) -> dict[str, str]:
    """Return what holds for each field a person left empty, by the name of its input."""
    found = _built(network, thing)
    if found is None or thing.is_point:
        return {}
    usual: dict[str, str] = {}
    for field in fields_of(groups):
        outer, _, inner = field.key.partition(".")
        if any(texts_of([field], body).values()):
            continue
        value = _attribute(found, outer)
        value = _attribute(value, inner) if inner else value
        if words := _words(field, value):
            usual[field.key] = words
    return usual


def from_profile(groups: Groups, point: Body) -> dict[str, str]:
    """Return what a profile's point says, by input: it holds where a site says nothing else."""
    said: dict[str, str] = {}
    for field in fields_of(groups):
        words = dict(field.words)
        for name, text in texts_of([field], point).items():
            if text:
                said[name] = _with_unit(field, words.get(text, text))
    return said


def _built(network: Network, thing: Thing) -> object:
    sites: tuple[Site, ...] = (*network.sites, *network.retired)
    tables: Mapping[str, tuple[Any, ...]] = {"gateway": network.gateways, "site": sites}
    found = tables.get(thing.table, ())
    return next((one for one in found if one.key == thing.key), None)


def _attribute(found: object, key: str) -> Any:
    name = _ATTRIBUTES.get(key, key)
    return getattr(found, name, None)


def _words(field: Field, value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, StrEnum):
        return dict(field.words).get(value.value, value.value)
    if isinstance(value, int | float):
        return _with_unit(field, plain(value))
    is_text = isinstance(value, str | date) and field.kind not in (Kind.CHOICE, Kind.LONG)
    return str(value) if is_text else ""


def _with_unit(field: Field, text: str) -> str:
    return f"{text} {field.unit}".strip()

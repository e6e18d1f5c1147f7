"""One form of the setup pages: what it is about, what was typed, and what that would make."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any

from fastapi import Depends, Request

from tallymast.domain.network_file import Written
from tallymast.domain.setup.fields import Field, Groups, fields_of
from tallymast.domain.setup.form_bodies import body_of
from tallymast.domain.setup.form_mistakes import Sorted, sort_mistakes
from tallymast.domain.setup.lock_rows import locks_of, without_codes
from tallymast.domain.setup.things import Thing, find, key_from, put, remove
from tallymast.routes.services import Services
from tallymast.routes.who import AGAIN
from tallymast.storage.keys import has_history

_LONGEST = 20_000  # characters of one input; the grammar's own limits are far below
LOST_CODES = "A code that was typed is not kept any more; type it once more."


@dataclass(frozen=True, slots=True)
class Form:
    """A form as it is opened.

    Attributes:
        thing: what it is about.
        groups: its fields.
        path: where it is shown and posted.
        back: the page to go back to.
        name: what people call the thing, as the page's heading.
        template: of its page.
        body: what is written of the thing; for a new one, what it begins with.
        below: what the body is laid over: a profile's point, below a site's own.
        written: the network as people wrote it.
        base: its revision.
        like: the key of the thing a new one is copied from.
        prefilled: what a new one's inputs show besides.

    """

    thing: Thing
    groups: Groups
    path: str
    back: str
    name: str
    template: str
    body: Written
    written: Written
    base: int
    below: Written = field(default_factory=dict)
    like: str = ""
    prefilled: Mapping[str, str] = field(default_factory=dict)

    @property
    def fields(self) -> list[Field]:
        """Every field, in its order."""
        return list(fields_of(self.groups))

    @property
    def has_locks(self) -> bool:
        """Whether the thing has locks."""
        return self.thing.table == "site" and not self.thing.is_point

    @property
    def opened(self) -> str:
        """What was written of the thing when the form was opened, without any code."""
        return "" if self.thing.is_new else json.dumps(without_codes(self.body), sort_keys=True)

    def was_changed(self, texts: Mapping[str, str]) -> Written | None:
        """Return what the form was opened with, where somebody changed that meanwhile."""
        was = None if self.thing.is_new else _opened_with(texts.get("was", ""))
        if was is None or was == without_codes(self.body):
            return None
        is_same_thing = all(was.get(key) == self.body.get(key) for key in ("key", "tag"))
        return was if is_same_thing else None


@dataclass(frozen=True, slots=True)
class Attempt:
    """What a filled-in form would make of the network.

    Attributes:
        body: what is written of the thing then.
        after: the whole network.
        wrong: what is wrong with it.

    """

    body: Written
    after: Written
    wrong: Sorted


def attempt(
    given: Services, form: Form, texts: Mapping[str, str], codes: Mapping[str, str], lost: bool
) -> Attempt:
    """Return what a filled-in form would make of the network."""
    body, told = body_of(form.fields, texts, form.body, form.below)
    rows: list[int] = []
    if form.has_locks and any(name.startswith("lock.") for name in texts):
        locks, rows = locks_of(texts, codes, form.body.get("lock", []))
        body = {key: one for key, one in body.items() if key != "lock"}
        body |= {"lock": locks} if locks else {}
    body = _named(form, body)
    if used := _used_before(given, form, body):
        told["key"] = used
    told |= _reserved(form, body)
    if lost:
        told["lock"] = LOST_CODES
    after = _after(form, body)
    wrong = sort_mistakes(after, form.thing, body, form.groups, told)
    return Attempt(body, after, _by_row(wrong, rows))


async def typed(request: Request) -> dict[str, str]:
    """Return what was typed into a form, without the password that may come along."""
    form = await request.form()
    texts = {name: value for name, value in form.items() if isinstance(value, str)}
    texts.pop(AGAIN, None)
    return {name: value[:_LONGEST] for name, value in texts.items()}


Typed = Annotated[dict[str, str], Depends(typed)]


def _opened_with(text: str) -> Written | None:
    """Return what a form says it was opened with; None where that is not to be used."""
    try:
        was = json.loads(text)
    except ValueError:
        return None
    if not isinstance(was, dict):
        return None
    locks = was.get("lock", [])
    is_sound = isinstance(locks, list) and all(
        isinstance(one, dict) and isinstance(one.get("where"), str) for one in locks
    )
    return {key: one for key, one in was.items() if key != "point"} if is_sound else None


def _named(form: Form, body: dict[str, Any]) -> dict[str, Any]:
    """Give a new thing the key its name suggests, where none was typed."""
    if form.thing.is_point or not form.thing.is_new or body.get("key"):
        return body
    taken = {str(one.get("key")) for one in form.written.get(form.thing.table, [])}
    key = key_from(str(body.get("name", "")), taken)
    return {**body, "key": key} if key else body


def _after(form: Form, body: Written) -> Written:
    """Return the network with the body in it; a site's point that says nothing goes."""
    thing = form.thing
    is_there = find(form.written, thing) is not None
    if thing.is_point and thing.table == "site" and thing.tag and set(body) <= {"tag"}:
        return remove(form.written, thing) if is_there else form.written
    target = thing if is_there or thing.is_new else Thing(thing.table, thing.key, thing.is_point)
    return put(form.written, target, body)


def _used_before(given: Services, form: Form, body: Written) -> str:
    key = body.get("key")
    if form.thing.table != "site" or form.thing.is_point or not isinstance(key, str):
        return ""
    if key == form.thing.key or find(form.written, Thing("site", key)) is not None:
        return ""
    with given.database.reading() as connection:
        if not has_history(connection, key):
            return ""
    return (
        f"The key {key} belonged to a site that is gone from the network; its history is kept"
        " under it. Choose another key."
    )


def _reserved(form: Form, body: Written) -> dict[str, str]:
    """Refuse the one word that is the address of the form for a new thing."""
    key = "tag" if form.thing.is_point else "key"
    if body.get(key) != "new" or form.thing.table == "network":
        return {}
    return {key: '"new" is the address of the form for a new one; choose another.'}


def _by_row(wrong: Sorted, rows: list[int]) -> Sorted:
    """Let what is wrong with a lock stand beside the row it was typed in."""

    def moved(name: str) -> str:
        table, _, rest = name.partition(".")
        number, _, key = rest.partition(".")
        known = table == "lock" and number.isdigit() and int(number) < len(rows)
        return f"lock.{rows[int(number)]}.{key}" if known else name

    return Sorted(
        {moved(name): told for name, told in wrong.beside.items()}, wrong.here, wrong.elsewhere
    )

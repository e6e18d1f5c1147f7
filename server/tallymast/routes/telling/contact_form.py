"""What is typed of a contact, read and checked; a sentence beside each field that is wrong."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from typing import Final

from tallymast.domain.model import Priority
from tallymast.domain.telling.model import FIRST, LEVELS, Contact, Digest, Way
from tallymast.domain.telling.secrets import variable_of
from tallymast.domain.telling.settings import wrong_with_address, wrong_with_contact
from tallymast.routes.life.typed import LONGEST
from tallymast.storage.people import Account, new_key

AREA: Final = "area-"
DIGEST_FIELDS: Final = {Digest.NONE: "", Digest.DAILY: "day", Digest.HOURLY: "hour"}
EMPTY: Final = Contact(0, "", Way.MAIL, "")


def typed_of(contact: Contact) -> dict[str, str]:
    """Return a contact as its form shows it."""
    fields = {
        "name": contact.name,
        "way": contact.way.value,
        "address": contact.address,
        "level": str(contact.level),
        "account": str(contact.account_id or ""),
        "digest": DIGEST_FIELDS[contact.digest],
    }
    ticked = {one.value: "yes" for one in contact.priorities}
    return {**fields, **ticked, **{f"{AREA}{n}": one for n, one in enumerate(contact.areas)}}


def chosen_areas(typed: Mapping[str, str]) -> frozenset[str]:
    """Return the areas that are ticked."""
    return frozenset(value for key, value in typed.items() if key.startswith(AREA))


def read_contact(
    typed: Mapping[str, str],
    before: Contact,
    areas: Iterable[str],
    accounts: Collection[Account],
    variables: Collection[str] = (),
) -> tuple[Contact, dict[str, str]]:
    """Return the contact that was typed, and what is wrong with it by field.

    Args:
        typed: the form's fields.
        before: as it was stored; ``EMPTY`` for a new one, whose way is chosen once.
        areas: those that can be chosen.
        accounts: those it may belong to.
        variables: those of the environment that hold a webhook's secret; for a new contact without
            one a secret is made.

    """
    way = before.way if before.id else _way(typed.get("way", ""))
    secret = before.secret
    if not before.id and way is Way.WEBHOOK and variable_of(typed.get("name", "")) not in variables:
        secret = new_key()
    ticked = chosen_areas(typed)
    account = next((one for one in accounts if str(one.id) == typed.get("account")), None)
    found = replace(
        before,
        name=typed.get("name", ""),
        way=way,
        address=typed.get("address", ""),
        secret=secret,
        priorities=tuple(one for one in Priority if typed.get(one.value)),
        areas=tuple(one for one in areas if one in ticked),
        level=_level(typed.get("level", "")),
        digest=_digest(typed.get("digest", "")),
        account_id=account.id if account else None,
    )
    return found, _wrong(found)


def wrong_name(found: Contact, contacts: Iterable[Contact]) -> str:
    """Return in a sentence why a contact cannot have its name beside others; empty: it can."""
    others, name = [one for one in contacts if one.id != found.id], found.name
    if any(one.name.casefold() == name.casefold() for one in others):
        return f"There is a contact {name} already; say which of the two this is."
    if found.way is not Way.WEBHOOK or not (variable := variable_of(name)):
        return ""
    hooks = (one.name for one in others if one.way is Way.WEBHOOK)
    other = next((one for one in hooks if variable_of(one) == variable), "")
    said = f"{name} and {other} would share one secret, {variable}: choose another name."
    return said if other else ""


def _wrong(found: Contact) -> dict[str, str]:
    wrong = {}
    if not found.name:
        wrong["name"] = "Give the contact a name: alarms are acknowledged by link under it."
    if len(found.address) >= LONGEST:
        wrong["address"] = f"An address has fewer than {LONGEST} characters."
    elif said := wrong_with_address(found.way, found.address):
        wrong["address"] = said
    if not found.priorities and not found.digest:
        wrong["priorities"] = "Tick at least one: this contact would never be told anything."
    if not wrong and (rest := wrong_with_contact(found)):
        wrong["name"] = " ".join(rest)
    return wrong


def _way(word: str) -> Way:
    return Way.WEBHOOK if word == Way.WEBHOOK.value else Way.MAIL


def _digest(word: str) -> Digest:
    return next((one for one, field in DIGEST_FIELDS.items() if field == word), Digest.NONE)


def _level(word: str) -> int:
    return int(word) if word.isdecimal() and int(word) in LEVELS else FIRST

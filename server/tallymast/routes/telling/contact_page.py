"""A contact's own page: entered, changed, retired, given a new secret, and sent a trial message.

Contacts are people's addresses, so a supervisor enters them; a trial may be sent by whoever may
change the setup. A webhook's secret is shown once, when it is made.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.model import Priority
from tallymast.domain.telling.model import (
    Contact,
    Delivery,
    MessageKind,
    NewMessage,
    Way,
)
from tallymast.domain.telling.words import House, trial_words
from tallymast.domain.zones import find_zone
from tallymast.routes.door import NOT_KEPT
from tallymast.routes.life.typed import TheTyped, Typed
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, NetworkView, Services
from tallymast.routes.telling.contact_form import (
    DIGEST_FIELDS,
    EMPTY,
    chosen_areas,
    read_contact,
    typed_of,
    wrong_name,
)
from tallymast.routes.telling.secret_view import secret_view
from tallymast.routes.telling.words import (
    DIGESTS,
    LEVEL_NAMES,
    WAYS,
    address_words,
    areas_of,
    told_of,
)
from tallymast.routes.who import ThePerson, tell
from tallymast.storage import contacts, messages, people, telling_settings
from tallymast.storage.people import new_key

TRIAL_PAUSE_MS: Final = 60_000  # Ours: nobody's box is filled by pressing a button

router = APIRouter(include_in_schema=False)


@router.get("/setup/telling/contacts/new")
def new_contact(request: Request, given: Given, show: Show, way: str = "mail") -> HTMLResponse:
    """Show the empty form of a contact."""
    typed = typed_of(replace(EMPTY, way=Way.WEBHOOK if way == "webhook" else Way.MAIL))
    return _page(request, given, show, EMPTY, typed)


@router.post("/setup/telling/contacts")
def add_contact(
    request: Request, given: Given, person: ThePerson, show: Show, typed: TheTyped
) -> Response:
    """Enter a contact; of a webhook the secret is shown this once, where one was made here."""
    with given.database.writing() as connection:
        found, wrong = _read(connection, given, typed, EMPTY)
        if not wrong:
            found = contacts.add(connection, found, given.now_ms())
            tell(connection, given, person, _act("contact.add", found))
    if wrong:
        return _page(request, given, show, found, typed, wrong)
    if found.secret:
        return _page(request, given, show, found, typed_of(found), secret=found.secret)
    return RedirectResponse("/setup/telling?done=entered#contacts", 303)


@router.get("/setup/telling/contacts/{number}")
def contact_page(request: Request, number: str, given: Given, show: Show) -> HTMLResponse:
    """Show a contact's form."""
    with given.database.reading() as connection:
        found = the_contact(connection, number)
    return _page(request, given, show, found, typed_of(found))


@router.post("/setup/telling/contacts/{number}")
def change_contact(
    request: Request, number: str, given: Given, person: ThePerson, show: Show, typed: TheTyped
) -> Response:
    """Change a contact; messages that wait go to the new address."""
    with given.database.writing() as connection:
        before = the_contact(connection, number)
        found, wrong = _read(connection, given, typed, before)
        if not wrong and found != before:
            contacts.change(connection, found, given.now_ms())
            tell(connection, given, person, _act("contact.change", found, before))
    if wrong:
        return _page(request, given, show, found, typed, wrong)
    return RedirectResponse("/setup/telling?done=changed#contacts", 303)


@router.post("/setup/telling/contacts/{number}/retire")
def retire_contact(number: str, given: Given, person: ThePerson) -> Response:
    """Tell a contact nothing more; what it was told stays written down."""
    with given.database.writing() as connection:
        found = the_contact(connection, number)
        if contacts.retire(connection, found.id, given.now_ms()):
            tell(connection, given, person, _act("contact.retire", found))
    return RedirectResponse("/setup/telling?done=retired#contacts", 303)


@router.post("/setup/telling/contacts/{number}/secret")
def new_secret(
    request: Request, number: str, given: Given, person: ThePerson, show: Show
) -> HTMLResponse:
    """Make a new secret for a webhook, shown this once; the old one signs nothing more."""
    with given.database.writing() as connection:
        before = the_contact(connection, number)
        if before.way is not Way.WEBHOOK:
            raise Problem(409, "Mail has no secret: its server is proved by its certificate.")
        if secret_view(connection, before).is_in_environment:
            raise Problem(409, "The secret in the environment signs; one made here would not.")
        found = replace(before, secret=new_key())
        contacts.change(connection, found, given.now_ms())
        tell(connection, given, person, Act("contact.secret", "contact", found.name))
    return _page(request, given, show, found, typed_of(found), secret=found.secret)


@router.post("/setup/telling/contacts/{number}/secret/forget")
def forget_secret(number: str, given: Given, person: ThePerson) -> Response:
    """Forget the secret that is stored for a webhook, where the environment holds one for it."""
    with given.database.writing() as connection:
        before = the_contact(connection, number)
        kept = secret_view(connection, before)
        if not kept.is_in_environment or kept.is_short:
            raise Problem(
                409,
                "The environment holds no secret that could sign for this contact, so nothing "
                "would be sent to it: set the variable where polling is started first.",
            )
        if before.secret:
            contacts.change(connection, replace(before, secret=""), given.now_ms())
            tell(connection, given, person, Act("contact.forget", "contact", before.name))
    return RedirectResponse(f"/setup/telling/contacts/{before.id}", 303)


@router.post("/setup/telling/contacts/{number}/trial")
def send_trial(number: str, given: Given, person: ThePerson) -> Response:
    """Write a trial message to a contact, and go to see what comes of it."""
    now_ms = given.now_ms()
    with given.database.writing() as connection:
        found = the_contact(connection, number)
        telling = telling_settings.load(connection)
        if found.way is Way.MAIL and telling.server is None:
            raise Problem(409, "No mail leaves the house yet: enter the mail server first.")
        _pause(connection, found, now_ms)
        network = given.network()
        zone = find_zone(network.time_zone)
        house = House(network.title, zone, network.time_zone, telling.public_url, now_ms)
        said = trial_words(found.name, person.name or "somebody", house)
        new = NewMessage(
            found.id, MessageKind.TEST, Priority.NORMAL, said.subject, said.body, (), now_ms
        )
        (stored,) = messages.store(connection, [new], now_ms)
        act = Act("contact.trial", "contact", found.name, after={"message": stored.id})
        tell(connection, given, person, act)
    return RedirectResponse(f"/alarms/messages/{stored.id}", 303)


def the_contact(connection: Connection, number: str) -> Contact:
    """Return a contact in use.

    Raises:
        Problem: there is none of this number, or it is retired.

    """
    wanted = int(number) if number.isdecimal() and len(number) < 19 else 0
    found = contacts.of_id(connection, wanted)
    if found is None or found.retired_ms is not None:
        raise Problem(404, f"No contact in use has the number {number}.")
    return found


def areas_in(network: NetworkView) -> tuple[str, ...]:
    """Return every area of the network, by name."""
    return tuple(sorted({one.site.area for one in network.sites if one.site.area}))


def _pause(connection: Connection, contact: Contact, now_ms: int) -> None:
    for one in messages.log(connection, contact_id=contact.id, limit=20):
        is_trial = one.kind is MessageKind.TEST and not one.alarms
        is_fresh = one.state is Delivery.WAITING or now_ms - one.made_ms < TRIAL_PAUSE_MS
        if is_trial and is_fresh:
            raise Problem(
                409,
                f"A trial to {contact.name} was asked for just now, or still waits: see what came "
                "of message "
                f"{one.id} among the messages, and try again a minute after it.",
            )


def _read(
    connection: Connection, given: Services, typed: Typed, before: Contact
) -> tuple[Contact, dict[str, str]]:
    areas = dict.fromkeys((*areas_in(given.network()), *before.areas))
    accounts = [one for one in people.accounts(connection) if one.is_open]
    variables = telling_settings.environment(connection).names
    found, wrong = read_contact(typed, before, areas, accounts, variables)
    taken = wrong_name(found, contacts.in_use(connection))
    return found, {"name": taken, **wrong} if taken else wrong


def _act(action: str, found: Contact, before: Contact | None = None) -> Act:
    now = _facts(found)
    was = _facts(before) if before else {}
    moved = {key: value for key, value in was.items() if value != now[key]}
    kept = {key: value for key, value in now.items() if not before or key in moved}
    words = ", ".join(f"{key} {value}" for key, value in kept.items()) or "its secret"
    return Act(action, "contact", found.name, moved, {**kept, "words": words})


def _facts(one: Contact) -> dict[str, Any]:
    return {
        "name": one.name,
        "address": address_words(one),
        "level": one.level,
        "told": told_of(one),
        "areas": areas_of(one),
        "account": str(one.account_id or "none"),
    }


def _page(
    request: Request,
    given: Services,
    show: Screens,
    contact: Contact,
    typed: Typed,
    wrong: Mapping[str, str] | None = None,
    secret: str = "",
) -> HTMLResponse:
    with given.database.reading() as connection:
        accounts = [one for one in people.accounts(connection) if one.is_open]
        kept = secret_view(connection, contact)
    ticked = chosen_areas(typed)
    known = areas_in(given.network())
    context = {
        "contact": contact,
        "typed": typed,
        "wrong": wrong or {},
        "secret": secret,
        "kept": kept,
        "accounts": accounts,
        "levels": LEVEL_NAMES,
        "digests": {field: DIGESTS[one] for one, field in DIGEST_FIELDS.items()},
        "priorities": [one.value for one in Priority],
        "areas": [(one, one in ticked, one in known) for one in dict.fromkeys((*known, *ticked))],
        "is_webhook": typed.get("way", contact.way.value) == Way.WEBHOOK.value,
        "way_words": WAYS,
    }
    response = show.page(request, "setup_contact.html", context, 422 if wrong else 200)
    response.headers.update(NOT_KEPT)
    return response

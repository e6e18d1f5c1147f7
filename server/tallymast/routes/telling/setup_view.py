"""Who is told, as the setup page shows it: contacts by level, what lacks, and how sending goes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from ipaddress import ip_address
from urllib.parse import urlsplit

from sqlalchemy import Connection

from tallymast.domain.telling.model import LEVELS, Contact, Try, Way
from tallymast.domain.telling.secrets import Environment, worries
from tallymast.domain.telling.settings import Telling, gaps
from tallymast.routes.formats import plural
from tallymast.routes.rows import Mark
from tallymast.routes.services import Services
from tallymast.routes.telling.contact_page import areas_in
from tallymast.routes.telling.words import (
    LEVEL_NAMES,
    OUTCOMES,
    WAYS,
    address_words,
    areas_of,
    listed,
    told_of,
    without_keys,
)
from tallymast.storage import contacts, messages, telling_settings


@dataclass(frozen=True, slots=True)
class ContactRow:
    """One contact as it is listed; ``said`` and the mark are of its newest try."""

    number: int
    name: str
    way: str
    address: str
    told_of: str
    areas: str
    tried_ms: int | None
    mark: Mark | None
    said: str


@dataclass(frozen=True, slots=True)
class View:
    """All contacts by level, what lacks in sentences, and how many messages wait."""

    levels: tuple[tuple[str, tuple[ContactRow, ...]], ...]
    count: int
    lacking: tuple[str, ...]
    waiting: int

    @property
    def headline(self) -> str:
        """Who is told, in a sentence."""
        if not self.count:
            return "Nobody is told of alarms yet: alarms stand on the pages only."
        firsts = next((rows for name, rows in self.levels if name == LEVEL_NAMES[1]), ())
        names = listed(row.name for row in firsts) if firsts else "nobody"
        return f"{plural(self.count, 'contact is', 'contacts are')} told of alarms; first {names}."


def view_of(connection: Connection, given: Services, telling: Telling) -> View:
    """Return what the setup page shows of contacts."""
    found = contacts.in_use(connection)
    tries = messages.last_tries(connection)
    by_level = [
        (LEVEL_NAMES[level], tuple(_row(one, tries) for one in found if one.level == level))
        for level in LEVELS
    ]
    return View(
        tuple((name, rows) for name, rows in by_level if rows),
        len(found),
        lacking(given, found, telling, telling_settings.environment(connection)),
        len(messages.waiting(connection)),
    )


def lacking(
    given: Services, found: Sequence[Contact], telling: Telling, known: Environment
) -> tuple[str, ...]:
    """Return in sentences what lacks before alarms reach people."""
    said = [*gaps(tuple(found), areas_in(given.network()))] if found else []
    said += worries(found, known)
    if telling.server is None and any(one.way is Way.MAIL for one in found):
        said.append("No mail leaves the house: enter the mail server below.")
    if telling.server and telling.server.user and given.mail_password() is False:
        said.append(
            f"The mail server is asked for as {telling.server.user}, and no password is set: start "
            "Tallymast with TALLYMAST_SMTP_PASSWORD in its environment."
        )
    if found and not telling.public_url:
        said.append(
            "Messages hold no link to acknowledge: enter below under which address people reach "
            "these pages."
        )
    if telling.public_url and not _answers(given, telling.public_url):
        said.append(
            f"Links lead to {urlsplit(telling.public_url).hostname}, and Tallymast was not started "
            "to answer under that name: name it with --names, or have the proxy in front say "
            "another."
        )
    return tuple(said)


def _row(one: Contact, tries: Mapping[int, Try]) -> ContactRow:
    last = tries.get(one.id)
    return ContactRow(
        one.id,
        one.name,
        WAYS[one.way],
        address_words(one),
        told_of(one),
        areas_of(one),
        last.at_ms if last else None,
        OUTCOMES[last.outcome] if last else None,
        without_keys(last.said) if last else "",
    )


def _answers(given: Services, url: str) -> bool:
    name = (urlsplit(url).hostname or "").lower()
    known = {host.lower().strip("[]") for host in given.hosts}
    return name in known or (given.by_address and _is_address(name))


def _is_address(name: str) -> bool:
    try:
        ip_address(name)
    except ValueError:
        return False
    return True

"""Messages as they are listed: to whom, about what, when, how often tried, and what came of it."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from tallymast.domain.alarms.model import Alarms
from tallymast.domain.telling.model import Contact, Delivery, Message, MessageKind, Try
from tallymast.routes.alarm_words import name_of
from tallymast.routes.rows import Mark
from tallymast.routes.services import NetworkView
from tallymast.routes.telling.words import (
    DELIVERIES,
    KINDS,
    OUTCOMES,
    UNSENT,
    WAYS,
    address_words,
    without_keys,
)


@dataclass(frozen=True, slots=True)
class TryRow:
    """One try: when, what came of it, and what the other end said."""

    n: int
    at_ms: int
    mark: Mark
    said: str


@dataclass(frozen=True, slots=True)
class MessageRow:
    """One message as it is listed.

    Attributes:
        number: in addresses.
        to, way, address: who is told, how, and where; of a webhook its host only.
        kind: why it was written.
        about: the alarms by name, the most urgent first, each with its number (0: none).
        subject: its one line.
        mark: where it is, by word, shape and tone.
        made_ms, handed_ms: when it was written and handed over, None: it was not.
        due_ms: when it is tried next, None: no more.
        tries: how many there were; said: what the other end said last.

    """

    number: int
    to: str
    way: str
    address: str
    kind: str
    is_trial: bool
    about: tuple[tuple[int, str], ...]
    subject: str
    mark: Mark
    made_ms: int
    handed_ms: int | None
    ended_ms: int | None
    due_ms: int | None
    tries: int
    said: str


@dataclass(frozen=True, slots=True)
class Beside:
    """What the rows need besides the messages: contacts, tries, alarms and their numbers."""

    contacts: Mapping[int, Contact]
    tries: Mapping[int, tuple[Try, ...]]
    alarms: Alarms
    numbers: Mapping[str, int]
    network: NetworkView


def message_rows(found: Iterable[Message], beside: Beside) -> tuple[MessageRow, ...]:
    """Return messages as they are listed, in their order."""
    return tuple(message_row(one, beside) for one in found)


def message_row(one: Message, beside: Beside) -> MessageRow:
    """Return one message as it is listed."""
    contact = beside.contacts.get(one.contact_id)
    tries = beside.tries.get(one.id, ())
    waits = one.state is Delivery.WAITING
    is_gone = contact is None or contact.retired_ms is not None
    return MessageRow(
        number=one.id,
        to=contact.name if contact else "nobody known",
        way=WAYS[contact.way] if contact else "",
        address=address_words(contact) if contact else "",
        kind=KINDS[one.kind],
        is_trial=one.kind is MessageKind.TEST,
        about=_about(one, beside),
        subject=without_keys(one.subject),
        mark=UNSENT if waits and is_gone else DELIVERIES[one.state],
        made_ms=one.made_ms,
        handed_ms=one.done_ms if one.state is Delivery.HANDED else None,
        ended_ms=one.done_ms,
        due_ms=one.due_ms if waits and not is_gone else None,
        tries=one.tries,
        said=without_keys(tries[-1].said) if tries else "",
    )


def try_rows(tries: Iterable[Try]) -> tuple[TryRow, ...]:
    """Return the tries of one message, the first one first."""
    return tuple(
        TryRow(one.n, one.at_ms, OUTCOMES[one.outcome], without_keys(one.said)) for one in tries
    )


def _about(one: Message, beside: Beside) -> tuple[tuple[int, str], ...]:
    keys = dict.fromkeys(time.key for time in one.alarms)
    return tuple(
        (beside.numbers.get(key, 0), name_of(key, beside.alarms, beside.network)) for key in keys
    )

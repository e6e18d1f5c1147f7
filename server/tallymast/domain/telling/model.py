"""Who is told of alarms and what of: contacts, messages, and what became of each try.

Values only. When a message is due is decided in due.py, its words are made in words.py.
"""

from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from typing import Final, NamedTuple

from tallymast.domain.model import Priority

FIRST, NEXT, SUPERVISOR = 1, 2, 3
LEVELS: Final = {
    FIRST: "first, at once",
    NEXT: "next, when nobody has acknowledged",
    SUPERVISOR: "supervisor, last",
}


class Way(StrEnum):
    """How a contact is reached."""

    MAIL = "mail"
    WEBHOOK = "webhook"


class Digest(IntEnum):
    """How often what a contact is not told at once comes to it, together."""

    NONE = 0
    DAILY = 1
    HOURLY = 2


class MessageKind(StrEnum):
    """Why a message is written."""

    ALARM = "alarm"
    ESCALATION = "escalation"  # those before have not acknowledged in time
    REPEAT = "repeat"  # it still stands, and nobody has acknowledged it
    DIGEST = "digest"  # once a day or an hour, what was not worth being told at once
    TEST = "test"  # nothing is wrong


class Delivery(StrEnum):
    """Where a message is."""

    WAITING = "waiting"
    HANDED = "handed"  # over to the mail server or to the receiver; whether it was read is unknown
    GIVEN_UP = "given-up"


class TryOutcome(StrEnum):
    """What came of one try."""

    HANDED = "handed"
    REFUSED = "refused"  # somebody answered, and said no
    FAILED = "failed"  # nobody answered, or not in time


class Occurrence(NamedTuple):
    """One time that an alarm was raised: its key, and when [UTC ms]."""

    key: str
    raised_ms: int


@dataclass(frozen=True, slots=True)
class Contact:
    """Somebody, or some receiver, who is told of alarms.

    Attributes:
        id: its number; 0 while it is not stored.
        name: of the person or the receiver.
        way: mail or webhook.
        address: ``name@host`` for mail, ``https://…`` for a webhook.
        secret: signs what is sent to a webhook, where the environment holds none for it; empty for
            mail.
        priorities: of which alarms it is told at once.
        areas: of the sites whose alarms concern it; empty: of all.
        level: 1 is told first, 2 next, 3 is the supervisor.
        digest: how often the rest comes.
        account_id: whose account it belongs to, if any.
        made_ms: since when it is there.
        retired_ms: since when it is told nothing more; None: it is in use.

    """

    id: int
    name: str
    way: Way
    address: str
    secret: str = field(default="", repr=False)  # so that no log or traceback ever shows it
    priorities: tuple[Priority, ...] = (Priority.URGENT, Priority.HIGH)
    areas: tuple[str, ...] = ()
    level: int = FIRST
    digest: Digest = Digest.DAILY
    account_id: int | None = None
    made_ms: int = 0
    retired_ms: int | None = None


@dataclass(frozen=True, slots=True)
class NewMessage:
    """A message that is written and not stored yet.

    Attributes:
        contact_id: who is told.
        kind: why it is written.
        priority: of the most urgent alarm in it; of a trial, normal.
        subject: one line.
        body: plain text; where the one-time link belongs stands ``words.LINK_PLACE``.
        alarms: which times of which alarms it tells of, the most urgent first.
        made_ms: when it was written.

    """

    contact_id: int
    kind: MessageKind
    priority: Priority
    subject: str
    body: str
    alarms: tuple[Occurrence, ...]
    made_ms: int


@dataclass(frozen=True, slots=True)
class Message(NewMessage):
    """A stored message.

    Attributes:
        id: its number.
        state: waiting, handed or given up.
        tries: how many there were.
        due_ms: when the next one is.
        done_ms: when it was handed over or given up.

    """

    id: int = 0
    state: Delivery = Delivery.WAITING
    tries: int = 0
    due_ms: int = 0
    done_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Try:
    """One line of the delivery log; it only grows.

    Attributes:
        message_id: of which message.
        n: 1 for the first.
        at_ms: when it ended.
        outcome: what came of it.
        said: what the other end said, or why it failed, in a sentence.

    """

    message_id: int
    n: int
    at_ms: int
    outcome: TryOutcome
    said: str


@dataclass(frozen=True, slots=True)
class Due:
    """A message that is to be written now.

    Attributes:
        contact: who is told.
        kind: of the most telling of its alarms: escalation before alarm before repeat.
        priority: of the most urgent.
        alarms: which times of which alarms, the most urgent first.
        kinds: why each of them is told, in the same order.

    """

    contact: Contact
    kind: MessageKind
    priority: Priority
    alarms: tuple[Occurrence, ...]
    kinds: tuple[MessageKind, ...] = ()

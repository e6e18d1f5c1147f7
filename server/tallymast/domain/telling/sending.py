"""What a way of telling is handed, how it says that it could not, and when it is tried again."""

from dataclasses import dataclass
from typing import Final

from tallymast.domain.errors import TallymastError
from tallymast.domain.telling.model import Contact, Delivery, Message, TryOutcome

# Ours: soon at first, for what passes by itself; then as often as an alarm is repeated.
AGAIN_MIN: Final = (1, 2, 5, 10, 30)
GIVE_UP_MS: Final = 24 * 3_600_000
LATE_MS: Final = 10 * 60_000  # ours: from then on a message says that it comes late
SAID_LONGEST: Final = 300


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One message on its way to one contact.

    Attributes:
        message: as stored.
        contact: who is told.
        body: its plain text with the one-time link in its place.
        title: of the network.
        ack_url: the one-time link; empty: there is none.
        now_ms: when it is sent, UTC milliseconds.

    """

    message: Message
    contact: Contact
    body: str
    title: str
    ack_url: str
    now_ms: int


class NotHanded(TallymastError):
    """A message could not be handed over.

    Args:
        said: why, in a sentence.
        outcome: whether somebody said no or nobody answered.
        is_final: trying again would change nothing.

    """

    def __init__(self, said: str, outcome: TryOutcome, *, is_final: bool = False) -> None:
        super().__init__(said)
        self.said = said
        self.outcome = outcome
        self.is_final = is_final


def after(message: Message, tries: int, at_ms: int, *, is_final: bool) -> tuple[Delivery, int]:
    """Return where a message is after a try that failed, and when it is tried again [UTC ms].

    Args:
        message: which.
        tries: how many there were, this one among them.
        at_ms: when it failed.
        is_final: trying again would change nothing.

    """
    due_ms = at_ms + AGAIN_MIN[min(tries, len(AGAIN_MIN)) - 1] * 60_000
    if is_final or due_ms - message.made_ms > GIVE_UP_MS:
        return Delivery.GIVEN_UP, due_ms
    return Delivery.WAITING, due_ms


def is_over(message: Message, now_ms: int) -> bool:
    """Whether a message is so old that it would tell nothing any more."""
    return now_ms - message.made_ms > GIVE_UP_MS

"""Who was told of one alarm and when, as everybody may see it who sees the alarm: no addresses."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from tallymast.domain.telling.model import Contact, Delivery, Message, MessageKind
from tallymast.routes.rows import Mark
from tallymast.routes.telling.words import DELIVERIES, KINDS, UNSENT, WAYS


@dataclass(frozen=True, slots=True)
class ToldLine:
    """One message about the alarm; ``why`` is empty where it told of it for the first time."""

    number: int
    made_ms: int
    to: str
    way: str
    why: str
    mark: Mark
    handed_ms: int | None


def told_lines(found: Iterable[Message], people: Mapping[int, Contact]) -> tuple[ToldLine, ...]:
    """Return who was told, in the order of the messages.

    Args:
        found: messages about one alarm.
        people: every contact by number, retired ones too.

    """
    return tuple(_line(one, people.get(one.contact_id)) for one in found)


def _line(one: Message, contact: Contact | None) -> ToldLine:
    is_gone = contact is None or contact.retired_ms is not None
    waits = one.state is Delivery.WAITING
    return ToldLine(
        one.id,
        one.made_ms,
        contact.name if contact else "nobody known",
        WAYS[contact.way] if contact else "",
        "" if one.kind is MessageKind.ALARM else KINDS[one.kind],
        UNSENT if waits and is_gone else DELIVERIES[one.state],
        one.done_ms if one.state is Delivery.HANDED else None,
    )

"""What contacts and messages are called on the pages, and what of them is shown to whom."""

import re
from collections.abc import Iterable
from typing import Final
from urllib.parse import urlsplit

from tallymast.domain.model import Priority
from tallymast.domain.telling.model import (
    LEVELS,
    Contact,
    Delivery,
    Digest,
    MessageKind,
    TryOutcome,
    Way,
)
from tallymast.routes.rows import Mark

LEVEL_NAMES: Final = {1: "Told first", 2: "Told next", 3: "Supervisor, told last"}
WAYS: Final = {Way.MAIL: "by mail", Way.WEBHOOK: "by webhook"}
KINDS: Final = {
    MessageKind.ALARM: "alarm",
    MessageKind.ESCALATION: "nobody before acknowledged",
    MessageKind.REPEAT: "it still stands",
    MessageKind.DIGEST: "digest",
    MessageKind.TEST: "test",
}
DELIVERIES: Final = {
    Delivery.WAITING: Mark("waiting", "ring", "watch"),
    Delivery.HANDED: Mark("handed over", "disc", "calm"),
    Delivery.GIVEN_UP: Mark("given up", "octagon", "act"),
}
UNSENT: Final = Mark("not sent: the contact was retired", "dash", "off")
OUTCOMES: Final = {
    TryOutcome.HANDED: Mark("handed over", "disc", "calm"),
    TryOutcome.REFUSED: Mark("refused", "octagon", "act"),
    TryOutcome.FAILED: Mark("failed", "triangle", "watch"),
}
DIGESTS: Final = {
    Digest.NONE: "not at all",
    Digest.DAILY: "once a day",
    Digest.HOURLY: "each hour",
}
HIDDEN: Final = "…"
_LINK: Final = re.compile(r"/told/[^\s\"'<>]+")

assert LEVEL_NAMES.keys() == LEVELS.keys()


def address_words(contact: Contact) -> str:
    """Return where a contact is reached; of a webhook its host, as the rest may be a key."""
    if contact.way is Way.MAIL:
        return contact.address
    return urlsplit(contact.address).hostname or HIDDEN


def told_of(contact: Contact) -> str:
    """Return what a contact is told of: ``urgent and high at once; the rest each hour``."""
    at_once = listed(one.value for one in Priority if one in contact.priorities)
    rest = "the rest" if at_once else "everything"
    later = f"{rest} {DIGESTS[contact.digest]}"
    if not at_once:
        return later if contact.digest else "nothing"
    return f"{at_once} at once; {later}"


def areas_of(contact: Contact) -> str:
    """Return for which areas."""
    return listed(contact.areas) if contact.areas else "all areas"


def listed(some: Iterable[str]) -> str:
    """Return ``a``, ``a and b``, or ``a, b and c``."""
    *most, last = [*some] or [""]
    return f"{', '.join(most)} and {last}" if most else last


def without_keys(text: str) -> str:
    """Return what was sent or said, with the keys of one-time links left out."""
    return _LINK.sub(f"/told/{HIDDEN}", text)

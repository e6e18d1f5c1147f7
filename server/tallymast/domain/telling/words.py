"""What a message says: a subject of one line and a body of plain text.

What, where, the value with its unit, since when by clock and age, what to do, what happens if
nobody does, where to look, and that this is no safety function. The one-time link to acknowledge
is not in the words that are stored; it takes its place when the message is sent.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from itertools import chain
from typing import Final

from tallymast.domain.alarms.model import Alarm, Standing
from tallymast.domain.local_times import MONTHS, clock_words, lasting, local_time
from tallymast.domain.model import Priority
from tallymast.domain.people import plain
from tallymast.domain.telling.model import MessageKind

LINK_PLACE: Final = "[here the message that was sent had its one-time link to acknowledge]"
CAUTION: Final = (
    "Monitoring and convenience control only, not a safety function. Messages may come late or not"
    " at all. Before work at a site: local procedures, lock-out and licensed practice come first."
)
NOTHING_WRONG: Final = "Test: nothing is wrong"
SUBJECT_LONGEST: Final = 150  # ours: what a phone shows in two lines
SHOWN: Final = 20  # ours: of so many alarms a message tells at length or in a line, of more not
_PLAIN: Final = str.maketrans(
    {"\u00a0": " ", "\u202f": " ", "\u2009": " ", "\u2212": "-", "\u2013": "-", "\u2014": "-"}
)
_BEFORE: Final = {
    MessageKind.ESCALATION: "nobody has acknowledged",
    MessageKind.REPEAT: "still, and nobody has acknowledged",
}


@dataclass(frozen=True, slots=True)
class Item:
    """One alarm as a message tells of it.

    Attributes:
        alarm: as it is set up.
        standing: how it stands.
        where: the site's or gateway's name.
        what: what it is called there, ``Level high``.
        says: what was read and what it is held against, ``4.75 m, limit 4.5 m``; may be empty.
        page: the path of its page, ``/alarms/12``.
        kind: whether it is told for the first time, again, or because nobody acknowledged.
        hides: what is suppressed because of it, in a sentence; empty: nothing.

    """

    alarm: Alarm
    standing: Standing
    where: str
    what: str
    says: str = ""
    page: str = ""
    kind: MessageKind = MessageKind.ALARM
    hides: str = ""

    @property
    def name(self) -> str:
        """Where and what, on one line."""
        return _plain(f"{self.where}: {self.what}")


@dataclass(frozen=True, slots=True)
class House:
    """Where a message comes from and when.

    Attributes:
        title: of the network.
        zone: its local time.
        zone_name: as people write it.
        public_url: where the pages are, without a slash at its end; empty: no links.
        now_ms: when the message is written, UTC milliseconds.

    """

    title: str
    zone: tzinfo
    zone_name: str
    public_url: str
    now_ms: int


@dataclass(frozen=True, slots=True)
class Words:
    """Subject and body of a message."""

    subject: str
    body: str


def alarm_words(items: Sequence[Item], house: House) -> Words:
    """Write a message about alarms, the most urgent first; there is at least one.

    Of one alarm everything is told; of several one line each, and at length of the first.
    """
    first = items[0]
    if len(items) == 1:
        before = _BEFORE.get(first.kind)
        lead = f"{_word(first)}, {before}" if before else _word(first)
        value = f", {first.says}" if first.says else ""
        subject = f"{lead}: {first.name}{value}"
    else:
        oldest = min(one.standing.raised_ms or house.now_ms for one in items)
        since = _clock(oldest, house)[:-3]
        subject = f"{_word(first)}: {first.name}, and {len(items) - 1} more since {since}"
    others = _list("The others:", items[1:], house) if len(items) > 1 else ()
    body = chain(_head(first, house), others, _links(first, house), _foot(house))
    return _made(subject, body)


def digest_words(items: Sequence[Item], house: House, *, is_hourly: bool = False) -> Words:
    """Write what was not told at once, the most urgent first; there is at least one.

    An hourly one says its hour besides its day.
    """
    count = f"{len(items)} alarm{'s' if len(items) != 1 else ''}"
    at = local_time(house.now_ms, house.zone)
    hour = f", {at:%H}:00" if is_hourly else ""
    subject = f"Digest of {at.day} {MONTHS[at.month - 1]}{hour}: {count}"
    stands = sum(one.standing.state.is_active for one in items)
    still = "1 still stands" if stands == 1 else f"{stands} still stand"
    lead = f"{count} that you are not told of at once: {still}."
    page = (f"Page: {house.public_url}/alarms", "") if house.public_url else ()
    return _made(subject, chain((lead, ""), _list("", items, house), page, _foot(house)))


def words_of_test(item: Item, house: House) -> Words:
    """Write that somebody tries whether alarms arrive."""
    lead = f"This is a test of how alarms reach you. Nothing is wrong at {house.title}."
    since = f"It was raised {_since(item.standing.raised_ms, house)}."
    body = chain((lead, since, ""), _links(item, house, acks=False), _foot(house))
    return _made(f"{NOTHING_WRONG} ({house.title})", body)


def trial_words(name: str, asked_by: str, house: House) -> Words:
    """Write a message by which one contact's way is tried.

    Args:
        name: the contact's.
        asked_by: who asked for it.
        house: where it comes from.

    """
    lead = f"This is a test of the way to {name}, asked for by {asked_by}."
    more = f"If you read it, alarms of {house.title} can reach you here."
    return _made(f"{NOTHING_WRONG} ({house.title})", chain((lead, more, ""), _foot(house)))


def with_link(body: str, url: str) -> str:
    """Return a body with the link to acknowledge in its place; an empty one leaves none."""
    told = f"Acknowledge (opens a page that asks first, works 24 h): {url}" if url else ""
    return body.replace(LINK_PLACE, told)


def late_words(made_ms: int, now_ms: int) -> str:
    """Return a sentence for a message that could not be handed over for a while."""
    return (
        f"This message was written {lasting(now_ms - made_ms)} before it could be handed over;"
        " things may have changed since."
    )


# --- pieces -----------------------------------------------------------------------------------


def _head(item: Item, house: House) -> Iterator[str]:
    yield f"{item.name} ({_word(item).lower()})"
    if item.says:
        yield f"It reads: {item.says}"
    yield f"Since {_since(item.standing.raised_ms, house)}"
    if not item.standing.state.is_active:
        yield "It is normal again, and nobody has acknowledged it."
    if item.standing.first:
        yield "It came first of its group."
    if before := _BEFORE.get(item.kind):
        yield f"You are told because: {before}."
    if item.hides:
        yield item.hides
    yield ""
    for title, text in (
        ("What to do", item.alarm.response),
        ("If nobody does", item.alarm.consequence),
    ):
        if text:
            yield f"{title}: {text}"
    yield ""


def _list(title: str, items: Sequence[Item], house: House) -> Iterator[str]:
    if title:
        yield title
    for one in items[:SHOWN]:
        value = f", {one.says}" if one.says else ""
        over = "" if one.standing.state.is_active else ", normal again"
        first = ", came first of its group" if one.standing.first else ""
        since = _since(one.standing.raised_ms, house)
        yield f"- {_word(one)}: {one.name}{value}, since {since}{over}{first}"
        if one.hides:
            yield f"  {one.hides}"
    if len(items) > SHOWN:
        yield f"- and {len(items) - SHOWN} more, on the page of alarms"
    yield ""


def _links(item: Item, house: House, *, acks: bool = True) -> Iterator[str]:
    if not house.public_url:
        return
    yield f"Page: {house.public_url}{item.page or '/alarms'}"
    if acks:
        yield LINK_PLACE
    yield ""


def _foot(house: House) -> Iterator[str]:
    at = _clock(house.now_ms, house)
    yield f"Written by Tallymast at {at}; times are {house.zone_name}. {house.title}."
    yield CAUTION


def _made(subject: str, body: Iterator[str]) -> Words:
    return Words(
        plain(subject.translate(_PLAIN), SUBJECT_LONGEST), "\n".join(map(_plain_line, body)) + "\n"
    )


def _plain_line(text: str) -> str:
    indent = "  " if text.startswith("  ") else ""
    return indent + _plain(text)


def _plain(text: str) -> str:
    return plain(text.translate(_PLAIN), 2000)


def _word(item: Item) -> str:
    return {Priority.URGENT: "Urgent", Priority.HIGH: "High", Priority.NORMAL: "Normal"}[
        item.alarm.priority
    ]


def _since(at_ms: int | None, house: House) -> str:
    if at_ms is None:
        return "a time that is not known"
    return f"{_clock(at_ms, house)} ({lasting(house.now_ms - at_ms)} ago)"


def _clock(at_ms: int, house: House) -> str:
    return clock_words(at_ms, house.now_ms, house.zone, seconds=True)

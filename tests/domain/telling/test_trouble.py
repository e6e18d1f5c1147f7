"""What is said of telling that does not work, from contacts, tries and what waits."""

import pytest

from tallymast.domain.model import Priority
from tallymast.domain.telling.model import (
    Contact,
    Message,
    MessageKind,
    Try,
    TryOutcome,
    Way,
)
from tallymast.domain.telling.trouble import overdue, unreached

T0 = 1_772_964_000_000
MINUTE = 60_000
PEOPLE = {
    n: Contact(n, name, Way.MAIL, f"{name}@example.org")
    for n, name in enumerate(("Ana", "Bo", "Cy", "Dee"))
}


def tried(n: int, outcome: TryOutcome, said: str = "It said no.") -> Try:
    return Try(n + 10, 1, T0 + n, outcome, said)


def waits(due_ms: int) -> Message:
    return Message(0, MessageKind.ALARM, Priority.HIGH, "", "", (), T0, due_ms=due_ms)


def test_whom_messages_do_not_reach_is_named_with_what_was_said_last() -> None:
    last = {0: tried(0, TryOutcome.HANDED), 2: tried(2, TryOutcome.REFUSED, "No such user.")}
    assert unreached(PEOPLE, last) == "Messages about alarms do not reach Cy. No such user."
    assert unreached(PEOPLE, {0: last[0]}) == ""
    assert unreached({}, last) == ""  # retired contacts are told nothing


def test_of_many_three_are_named() -> None:
    last = {n: tried(n, TryOutcome.FAILED) for n in PEOPLE}
    assert "do not reach Ana, Bo, Cy and 1 more." in unreached(PEOPLE, last)


@pytest.mark.parametrize(
    ("ago_min", "said"),
    # Ours: ten minutes; a message that is tried again waits with its next try ahead.
    [([-30], ""), ([9], ""), ([10], "1 message about alarms"), ([1, 15, 11], "2 messages")],
)
def test_what_nobody_sends_is_told_when_it_is_late(ago_min: list[int], said: str) -> None:
    told = overdue([waits(T0 - ago * MINUTE) for ago in ago_min], T0)
    assert told.startswith(said)
    assert bool(told) == bool(said)

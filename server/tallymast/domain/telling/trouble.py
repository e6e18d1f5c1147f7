"""Says whom messages do not reach, by what is stored: so every process says the same."""

from collections.abc import Iterable, Mapping
from typing import Final

from tallymast.domain.local_times import lasting
from tallymast.domain.telling.model import Contact, Message, Try, TryOutcome
from tallymast.domain.telling.sending import LATE_MS

_NAMED: Final = 3  # ours: of so many contacts a line gives the names


def unreached(contacts: Mapping[int, Contact], last: Mapping[int, Try]) -> str:
    """Return in a sentence whom messages do not reach; empty: the newest reached everybody.

    Args:
        contacts: those in use, by number.
        last: the newest try to each contact.

    """
    failing = [
        (contacts[number].name, one)
        for number, one in last.items()
        if number in contacts and one.outcome is not TryOutcome.HANDED
    ]
    if not failing:
        return ""
    names = sorted(name for name, _ in failing)
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    _, newest = max(failing, key=lambda one: one[1].at_ms)
    return f"Messages about alarms do not reach {', '.join(names[:_NAMED])}{more}. {newest.said}"


def overdue(waiting: Iterable[Message], now_ms: int) -> str:
    """Return in a sentence that nobody sends what waits; empty: nothing waits past its time.

    Args:
        waiting: the messages to contacts in use that are to be handed over.
        now_ms: the instant, UTC milliseconds.

    """
    late = [one.due_ms for one in waiting if now_ms - one.due_ms >= LATE_MS]
    if not late:
        return ""
    count = "1 message" if len(late) == 1 else f"{len(late)} messages"
    return (
        f"{count} about alarms should have been sent {lasting(now_ms - min(late))} ago and nobody"
        " has tried: the process that polls and sends has ended or hangs. Start it again."
    )

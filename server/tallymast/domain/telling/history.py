"""What was told before, as far as it decides what is told next; restored from stored messages.

A *call* is one alarm from the first message about it until somebody acknowledges it, shelves it or
takes it out of service. An alarm that clears and comes back within an hour of the last message is
the same call, and so is one that was suppressed by design meanwhile: what chatters neither floods
anybody nor starts the waiting for the next person anew.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from tallymast.domain.alarms.model import Alarms
from tallymast.domain.model import Priority
from tallymast.domain.telling.model import Delivery, Message, MessageKind, Occurrence

CALL_MS: Final = 60 * 60_000  # ours: two repeats without any
AT_ONCE: Final = (MessageKind.ALARM, MessageKind.ESCALATION, MessageKind.REPEAT)


@dataclass(frozen=True, slots=True)
class Call:
    """When an alarm was first and last told to anybody, in one call."""

    begun_ms: int
    last_ms: int


@dataclass(frozen=True, slots=True)
class Last:
    """The newest message to a contact about an alarm."""

    at_ms: int
    message_id: int


@dataclass(frozen=True, slots=True)
class Spoke:
    """The newest message to a contact that was not a digest or a test."""

    at_ms: int
    priority: Priority


@dataclass(frozen=True, slots=True)
class History:
    """What was told before.

    Attributes:
        calls: by alarm.
        last: by contact and alarm.
        spoke: by contact.
        digested: which times of which alarms stood in a digest or test, by contact.
        digests: when each contact's newest digest was written.
        waiting: the numbers of the messages that are not handed over yet.
        acked: when a person last acknowledged, unshelved or put back in service each alarm, as far
            as it was seen.

    """

    calls: Mapping[str, Call] = field(default_factory=dict)
    last: Mapping[tuple[int, str], Last] = field(default_factory=dict)
    spoke: Mapping[int, Spoke] = field(default_factory=dict)
    digested: frozenset[tuple[int, Occurrence]] = frozenset()
    digests: Mapping[int, int] = field(default_factory=dict)
    waiting: frozenset[int] = frozenset()
    acked: Mapping[str, int] = field(default_factory=dict)

    def call(self, key: str, raised_ms: int) -> Call | None:
        """Return the call in which an alarm stands since it was raised; None: it was not told."""
        found = self.calls.get(key)
        if found is None or raised_ms - found.last_ms >= CALL_MS:
            return None
        return None if self.acked.get(key, -1) > found.begun_ms else found

    def with_acks(self, alarms: Alarms, now_ms: int) -> "History":
        """Return it with what people did to alarms that were told, as alarms stand now.

        A standing forgets who acknowledged when its alarm is raised anew; here it is remembered.
        """
        seen: dict[str, int] = {}
        for key, one in alarms.standings.items():
            acked_ms = one.acked_ms
            if key in self.calls and (one.shelved_until_ms is not None or one.out_of_service):
                acked_ms = now_ms
            if acked_ms is not None and acked_ms > self.acked.get(key, -1):
                seen[key] = acked_ms
        return replace(self, acked={**self.acked, **seen}) if seen else self

    def with_messages(self, messages: Iterable[Message]) -> "History":
        """Return it with further messages, the oldest first."""
        calls, last, spoke = dict(self.calls), dict(self.last), dict(self.spoke)
        digested, digests, waiting = set(self.digested), dict(self.digests), set(self.waiting)
        for one in messages:
            if one.state is Delivery.WAITING:
                waiting.add(one.id)
            if one.kind not in AT_ONCE:
                digested |= {(one.contact_id, time) for time in one.alarms}
                if one.kind is MessageKind.DIGEST:
                    digests[one.contact_id] = one.made_ms
                continue
            spoke[one.contact_id] = Spoke(one.made_ms, one.priority)
            for key, raised_ms in one.alarms:
                calls[key] = self._called(calls.get(key), key, raised_ms, one.made_ms)
                last[one.contact_id, key] = Last(one.made_ms, one.id)
        return replace(
            self,
            calls=calls,
            last=last,
            spoke=spoke,
            digested=frozenset(digested),
            digests=digests,
            waiting=frozenset(waiting),
        )

    def done(self, message_id: int) -> "History":
        """Return it with a message that waits no more."""
        return replace(self, waiting=self.waiting - {message_id})

    def _called(self, before: Call | None, key: str, raised_ms: int, at_ms: int) -> Call:
        if before is None or raised_ms - before.last_ms >= CALL_MS:
            return Call(at_ms, at_ms)
        acked_ms = self.acked.get(key, -1)
        if before.begun_ms <= acked_ms <= at_ms:
            return Call(at_ms, at_ms)
        return Call(before.begun_ms, at_ms)

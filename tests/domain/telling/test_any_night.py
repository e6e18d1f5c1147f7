"""Whatever happens in a night: nobody is flooded, and nothing urgent stays with one person."""

from dataclasses import dataclass, field
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from tallymast.domain.alarms.model import Alarm, Alarms, AlarmState, Kind, Standing
from tallymast.domain.model import Priority
from tallymast.domain.telling.areas import Areas
from tallymast.domain.telling.due import Cuts, due
from tallymast.domain.telling.history import History
from tallymast.domain.telling.model import Contact, Delivery, Digest, Message, Way

MINUTE = 60_000
STEP = 20_000
T0 = 1_772_964_000_000
KEYS = ("quill/LVL/high", "quill/RES/low", "brome/RUN/state")
CONTACTS = tuple(
    Contact(level, f"level {level}", Way.MAIL, "x@example.org", level=level, digest=Digest.NONE)
    for level in (1, 2, 3)
)
ALARMS = {
    key: Alarm(key, Kind.HIGH, Priority.HIGH if "RES" in key else Priority.URGENT, key[:5])
    for key in KEYS
}
ACTS = ("raise", "raise", "clear", "acknowledge", "shelve", "unshelve", "restart")
Course = list[tuple[int, str, str]]  # step, key, act
courses = st.lists(
    st.tuples(st.integers(0, 180), st.sampled_from(KEYS), st.sampled_from(ACTS)), max_size=25
)


@dataclass
class Played:
    """A night as it went: messages, and since when each alarm has called without a break."""

    messages: list[Message] = field(default_factory=list)
    standings: dict[str, Standing] = field(default_factory=dict)
    seen: dict[str, list[int]] = field(default_factory=lambda: {key: [] for key in KEYS})
    calling: list[tuple[str, int, int]] = field(default_factory=list)  # key, since, until


def acted(one: Standing, act: str, at_ms: int) -> Standing:
    """The states by the table of ANSI/ISA-18.2 (A normal, B, C, D), written anew here."""
    a, b, c, d = AlarmState
    shelved = one.shelved_until_ms
    if act == "raise" and one.state in (a, d):
        return Standing(b, raised_ms=at_ms, shelved_until_ms=shelved)
    if act == "clear" and one.state in (b, c):
        after = d if one.state is b else a
        return Standing(after, raised_ms=one.raised_ms, acked_ms=one.acked_ms)
    if act == "acknowledge" and one.state in (b, d):
        after = c if one.state is b else a
        return Standing(after, raised_ms=one.raised_ms, acked_ms=at_ms)
    if act in ("shelve", "unshelve"):
        until = at_ms + 999 * MINUTE if act == "shelve" else None
        return Standing(one.state, raised_ms=one.raised_ms, shelved_until_ms=until)
    return one


def played(course: Course) -> Played:
    night, history = Played(), History()
    since: dict[str, int] = {}
    for at_ms in range(T0, T0 + 105 * MINUTE, STEP):
        for step, key, act in course:
            if T0 + step * STEP != at_ms:
                continue
            if act == "restart":
                acks = {one: max(some) for one, some in night.seen.items() if some}
                history = History(acked=acks).with_messages(night.messages)
            before = night.standings.get(key, Standing())
            night.standings[key] = acted(before, act, at_ms)
            is_done = night.standings[key] != before
            if is_done and act in ("acknowledge", "shelve", "unshelve"):
                night.seen[key].append(at_ms)
                since.pop(key, None)  # a person looked at it: it begins anew
        now = Alarms(ALARMS, dict(night.standings))
        history = history.with_acks(now, at_ms)
        for one in due(now, CONTACTS, history, Areas(), at_ms, Cuts(0, 0)):
            number = len(night.messages) + 1
            made = Message(
                one.contact.id, one.kind, one.priority, "", "", one.alarms, at_ms,
                id=number, state=Delivery.HANDED,
            )  # fmt: skip
            night.messages.append(made)
            history = history.with_messages([made])
        for key in KEYS:
            stood = night.standings.get(key, Standing())
            if stood.is_shown and stood.state is AlarmState.UNACKNOWLEDGED:
                begun = since.setdefault(key, at_ms)
                night.calling.append((key, begun, at_ms))
            else:
                since.pop(key, None)
    return night


@settings(max_examples=25, derandomize=True)
@given(courses)
def test_nobody_is_flooded(course: Course) -> None:
    night = played(course)
    for contact in CONTACTS:
        told = [one for one in night.messages if one.contact_id == contact.id]
        order = list(Priority)
        for before, one in pairwise(told):
            is_more = order.index(one.priority) < order.index(before.priority)
            assert one.made_ms - before.made_ms >= MINUTE or is_more
        for key in KEYS:
            times = [one.made_ms for one in told if key in {time.key for time in one.alarms}]
            for first, then in pairwise(times):
                is_new = any(first <= at_ms <= then for at_ms in night.seen[key])
                assert then - first >= 29 * MINUTE or is_new


@settings(max_examples=25, derandomize=True)
@given(courses)
def test_what_calls_reaches_the_next_person_and_the_supervisor(course: Course) -> None:
    # Common practice, no published source: 10 min (urgent) or 20 min (high), then 20 min more.
    # Ours: a bundle may hold the first message for a minute, and the next person's for another.
    night = played(course)
    for key, since, until in night.calling:
        step = 10 if ALARMS[key].priority is Priority.URGENT else 20
        for contact, minutes in zip(CONTACTS, (0, step, step + 20), strict=True):
            held = 2 if minutes else 1
            if until - since < (minutes + held) * MINUTE + STEP:
                continue
            told = [
                one.made_ms
                for one in night.messages
                if one.contact_id == contact.id and key in {time.key for time in one.alarms}
            ]
            assert any(since - 30 * MINUTE <= at_ms <= until for at_ms in told), (key, contact.id)

"""Decides who is told what now: pure, so that the same history gives the same messages.

The first level is told at once, the next when nobody has acknowledged for a while, the supervisor
after that; what stands unacknowledged is repeated. After a message to a contact others wait for a
minute and come as one, unless they are more urgent. What a contact does not want at once comes
once a day, at an hour of the local day, or after each full hour. Shelved, suppressed and
out-of-service alarms are not told; one that somebody acknowledged, or that is normal again, goes
no further.

An urgent alarm never waits for a digest: where nobody has chosen to be told of it at once, every
contact it concerns is told, and where it concerns nobody, every contact there is.
"""

from collections.abc import Iterable, Iterator, Mapping
from datetime import timedelta, tzinfo
from typing import Final, NamedTuple

from tallymast.domain.alarms.model import Alarm, Alarms, AlarmState, Kind, Standing
from tallymast.domain.local_times import local_time
from tallymast.domain.model import Priority
from tallymast.domain.telling.areas import Areas, concerns
from tallymast.domain.telling.history import History
from tallymast.domain.telling.model import Contact, Digest, Due, MessageKind, Occurrence

# Common practice, no published source: the next person after 10 min (urgent) or 20 min (high), the
# supervisor 20 min after that, again every 30 min.
NEXT_MS: Final = {Priority.URGENT: 10 * 60_000, Priority.HIGH: 20 * 60_000}
SUPERVISOR_MS: Final = 20 * 60_000
REPEAT_MS: Final = 30 * 60_000
BUNDLE_MS: Final = 60_000  # ours: so long further alarms wait to come as one message
FRESH_MS: Final = 10 * 60_000  # ours: what came and went in a shorter time is still told
OVER_KEPT_MS: Final = 7 * 86_400_000  # ours: a digest does not go further back for what is over
TEST_MS: Final = 60 * 60_000  # ours: a test that could not be told for an hour is over

_URGENCY: Final = tuple(Priority)
_WEIGHT: Final = (MessageKind.ESCALATION, MessageKind.ALARM, MessageKind.REPEAT)

Ranks = Mapping[int, int]  # contact -> 0 for who is told first, 1 for who is told next


class Cuts(NamedTuple):
    """Since when digests are due [UTC ms]: those of the day, and those of the hour."""

    day_ms: int
    hour_ms: int

    def of(self, contact: Contact) -> int:
        """Return since when a contact's is."""
        return self.hour_ms if contact.digest is Digest.HOURLY else self.day_ms


def due(
    alarms: Alarms,
    contacts: tuple[Contact, ...],
    history: History,
    areas: Areas,
    now_ms: int,
    cuts: Cuts,
) -> tuple[Due, ...]:
    """Return the messages that are to be written now, at most one of each sort a contact.

    Args:
        alarms: as they stand.
        contacts: those in use.
        history: what was told before, with what was acknowledged.
        areas: which areas alarms concern.
        now_ms: the instant, UTC milliseconds.
        cuts: since when digests are due (``digest_cuts``); they tell of what was raised before.

    """
    ranks = _all_ranks(alarms, contacts, areas)
    calling = [key for key in ranks if _calls(alarms, key, history, now_ms)]
    found: list[Due] = []
    for contact in contacts:
        found += _tests(contact, alarms, history, now_ms)
        found += _at_once(contact, calling, alarms, ranks, history, now_ms)
        found += _digest(contact, alarms, ranks, history, areas, now_ms, cuts.of(contact))
    return tuple(found)


def kind_of(
    contact: Contact, rank: int, key: str, standing: Standing, alarm: Alarm, history: History,
    now_ms: int, slack_ms: int = 0,
) -> MessageKind | None:  # fmt: skip
    """Return why a contact is told of an alarm now; None: he is not.

    Args:
        contact: who.
        rank: 0 if he is told first, 1 if next, 2 if last.
        key: the alarm's.
        standing: how it stands; it calls and nobody has acknowledged it.
        alarm: as it is set up.
        history: what was told before.
        now_ms: the instant, UTC milliseconds.
        slack_ms: so much too early a repeat may be, to come with others.

    """
    call, last = history.call(key, standing.raised_ms or 0), history.last.get((contact.id, key))
    is_active = standing.state.is_active
    if call is not None and last is not None and last.at_ms >= call.begun_ms:
        is_old = now_ms - last.at_ms >= REPEAT_MS - slack_ms
        is_repeated = is_old and is_active and last.message_id not in history.waiting
        return MessageKind.REPEAT if is_repeated else None
    waited_ms = now_ms - call.begun_ms if call is not None else 0
    if rank and (not is_active or waited_ms < patience_ms(alarm.priority, rank)):
        return None
    return MessageKind.ESCALATION if rank else MessageKind.ALARM


def patience_ms(priority: Priority, rank: int) -> int:
    """Return how long nobody has to have acknowledged before somebody of this rank is told."""
    return NEXT_MS.get(priority, 0) + SUPERVISOR_MS * (rank - 1) if rank else 0


def digest_cut(now_ms: int, hour: int, zone: tzinfo) -> int:
    """Return the last instant [UTC ms] at which the local clock showed the digest's hour."""
    now = local_time(now_ms, zone)
    cut = now.replace(hour=hour, minute=0, second=0, microsecond=0, fold=0)
    if cut.timestamp() * 1000 > now_ms:
        cut = (cut - timedelta(days=1)).replace(fold=0)
    return round(cut.timestamp() * 1000)


def digest_cuts(now_ms: int, hour: int, zone: tzinfo) -> Cuts:
    """Return since when digests of the day, from an hour on, and of the local hour are due."""
    into_ms = local_time(now_ms, zone).minute * 60_000 + now_ms % 60_000
    return Cuts(digest_cut(now_ms, hour, zone), now_ms - into_ms)


# --- who ---------------------------------------------------------------------------------------


def _all_ranks(alarms: Alarms, contacts: tuple[Contact, ...], areas: Areas) -> dict[str, Ranks]:
    """Return of each alarm who is told of it at once, by rank."""
    known: dict[tuple[Priority, frozenset[str]], Ranks] = {}
    found: dict[str, Ranks] = {}
    for key, alarm in alarms.alarms.items():
        if alarm.kind is Kind.TEST:
            continue
        where = alarm.priority, areas.of(alarm)
        if where not in known:
            known[where] = _ranks(*where, contacts)
        found[key] = known[where]
    return found


def _ranks(priority: Priority, areas: frozenset[str], contacts: tuple[Contact, ...]) -> Ranks:
    near = [one for one in contacts if concerns(one, areas)]
    wanted = [one for one in near if priority in one.priorities]
    if priority is Priority.URGENT and not wanted:
        wanted = near or list(contacts)
    if priority is Priority.NORMAL:  # it waits for nobody
        return {one.id: 0 for one in wanted}
    levels = sorted({one.level for one in wanted})
    return {one.id: levels.index(one.level) for one in wanted}


# --- at once -----------------------------------------------------------------------------------


def _calls(alarms: Alarms, key: str, history: History, now_ms: int) -> bool:
    """Whether an alarm calls for somebody: it stands, or came and went a moment ago."""
    one = alarms.standings.get(key)
    if one is None or not one.is_shown:
        return False
    if one.state is AlarmState.RETURNED and one.acked_ms is None:
        raised_ms = one.raised_ms or 0
        return history.call(key, raised_ms) is None and now_ms - raised_ms < FRESH_MS
    return one.state is AlarmState.UNACKNOWLEDGED


def _at_once(
    contact: Contact,
    calling: Iterable[str],
    alarms: Alarms,
    ranks: Mapping[str, Ranks],
    history: History,
    now_ms: int,
) -> Iterator[Due]:
    kinds: dict[str, MessageKind] = {}
    early: dict[str, MessageKind] = {}
    for key in calling:
        rank = ranks[key].get(contact.id)
        if rank is None:
            continue
        known = (contact, rank, key, alarms.standings[key], alarms.alarms[key], history, now_ms)
        if kind := kind_of(*known):
            kinds[key] = kind
        elif kind := kind_of(*known, slack_ms=BUNDLE_MS):
            early[key] = kind
    if not kinds or _is_held(contact, kinds, alarms, history, now_ms):
        return
    yield _bundle(contact, {**early, **kinds}, alarms)


def _is_held(
    contact: Contact, keys: Iterable[str], alarms: Alarms, history: History, now_ms: int
) -> bool:
    """Whether others were told a moment ago and none of these is more urgent."""
    spoke = history.spoke.get(contact.id)
    if spoke is None or not 0 <= now_ms - spoke.at_ms < BUNDLE_MS:
        return False
    most = min(_URGENCY.index(alarms.alarms[key].priority) for key in keys)
    return most >= _URGENCY.index(spoke.priority)


def _bundle(contact: Contact, kinds: Mapping[str, MessageKind], alarms: Alarms) -> Due:
    keys = _in_order(kinds, alarms)
    kind = min(kinds.values(), key=_WEIGHT.index)
    told = tuple(kinds[key] for key in keys)
    return Due(contact, kind, alarms.alarms[keys[0]].priority, _times(keys, alarms), told)


# --- tests and digests -------------------------------------------------------------------------


def _tests(contact: Contact, alarms: Alarms, history: History, now_ms: int) -> Iterator[Due]:
    """Return the test alarms that are to be told: to whoever is told of any alarm at once."""
    for key, alarm in alarms.alarms.items():
        one = alarms.standings.get(key)
        if alarm.kind is not Kind.TEST or one is None or one.raised_ms is None:
            continue
        is_due = contact.made_ms <= one.raised_ms and 0 <= now_ms - one.raised_ms < TEST_MS
        time = Occurrence(key, one.raised_ms)
        if contact.priorities and is_due and (contact.id, time) not in history.digested:
            yield Due(contact, MessageKind.TEST, alarm.priority, (time,))


def _digest(
    contact: Contact,
    alarms: Alarms,
    ranks: Mapping[str, Ranks],
    history: History,
    areas: Areas,
    now_ms: int,
    cut_ms: int,
) -> Iterator[Due]:
    written_ms = history.digests.get(contact.id, contact.made_ms)
    if not contact.digest or written_ms >= cut_ms:
        return
    keys = [
        key
        for key, told_at_once in ranks.items()
        if contact.id not in told_at_once
        and concerns(contact, areas.of(alarms.alarms[key]))
        and _is_for_digest(contact, key, alarms, history, now_ms, cut_ms)
    ]
    if keys:
        ordered = _in_order(keys, alarms)
        first = alarms.alarms[ordered[0]].priority
        yield Due(contact, MessageKind.DIGEST, first, _times(ordered, alarms))


def _is_for_digest(
    contact: Contact, key: str, alarms: Alarms, history: History, now_ms: int, cut_ms: int
) -> bool:
    one = alarms.standings.get(key)
    if one is None or one.raised_ms is None or one.raised_ms >= cut_ms:
        return False
    if one.shelved_until_ms is not None or one.suppressed_by or one.out_of_service:
        return False
    if (contact.id, Occurrence(key, one.raised_ms)) in history.digested:
        return False
    return one.state.is_active or one.raised_ms >= max(contact.made_ms, now_ms - OVER_KEPT_MS)


def _in_order(keys: Iterable[str], alarms: Alarms) -> list[str]:
    """Return keys, the most urgent first, then causes, then what came first."""

    def place(key: str) -> tuple[int, bool, bool, int, str]:
        alarm, one = alarms.alarms[key], alarms.standings[key]
        urgency = _URGENCY.index(alarm.priority)
        return urgency, alarm.kind is not Kind.GATEWAY, not one.first, one.raised_ms or 0, key

    return sorted(keys, key=place)


def _times(keys: Iterable[str], alarms: Alarms) -> tuple[Occurrence, ...]:
    return tuple(Occurrence(key, alarms.standings[key].raised_ms or 0) for key in keys)

"""What people do to alarms: each act, its journal and its audit are stored together or not at all.

The standing is read where nobody else can change it until the act is stored, so that of two people
who acknowledge the same alarm one is told that the other was there before. The keeper takes the act
up at its next look.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection

from tallymast.domain.alarms import stepping
from tallymast.domain.alarms.model import TEST_KEY, Alarm, AlarmState, Condition, Standing, Step
from tallymast.domain.audit import Act
from tallymast.domain.people import WORDS, Right, Role, plain
from tallymast.domain.zones import find_zone
from tallymast.routes.alarm_words import called
from tallymast.routes.formats import Clock, lasting, plural
from tallymast.routes.problems import Problem
from tallymast.routes.services import Services
from tallymast.routes.who import Person, tell
from tallymast.storage import alarms

HOUR_MS: Final = 3_600_000
LONGEST_H: Final = 12.0  # common practice, no published source; longer needs a supervisor
LONGEST_OF_ALL_H: Final = 30 * 24.0  # ours: what is to rest longer is taken out of service
NOTE_LONGEST: Final = 300
TOLD_ALONE: Final = 10  # ours: of a larger selection the audit has one line with all keys
_NEW: Final = Standing()


@dataclass(frozen=True, slots=True)
class _Doing:
    """One act: what it makes of an alarm, why it cannot, and what is written down of it."""

    action: str
    step: Callable[[Alarm, Standing], Step]
    why_not: Callable[[Standing], str]
    after: dict[str, Any]


def acknowledge(given: Services, person: Person, keys: Collection[str], note: str) -> list[str]:
    """Say that alarms were seen; return the keys of those that were acknowledged by it.

    Of several, those that somebody else acknowledged before are passed over.

    Args:
        given: the services.
        person: who saw them.
        keys: which; one, or a selection.
        note: what was seen or done; may be empty.

    Raises:
        Problem: no such alarm, or none of them waits for it.

    """
    note, clock = plain(note, NOTE_LONGEST), _clock(given)
    doing = _Doing(
        "alarm.acknowledge",
        lambda alarm, one: stepping.acknowledge(alarm, one, clock.now_ms, person.name, note),
        lambda one: _why_not_acknowledged(one, clock),
        _noted(note),
    )
    return _do(given, person, keys, doing)


def acknowledge_times(
    given: Services,
    person: Person,
    times: Mapping[str, int],
    note: str,
    first: Callable[[Connection], None],
) -> list[str]:
    """Say that alarms were seen that were raised at certain times, as a link sent out names them.

    One that was raised anew since is passed over: nobody has been told of that by this link.

    Args:
        given: the services.
        person: who saw them.
        times: when each was raised [UTC ms], by key.
        note: how, such as by link.
        first: what is done before in the same transaction; what it raises undoes everything.

    Returns:
        The keys of those that were acknowledged by it.

    Raises:
        Problem: no such alarm, or none of them waits for it.

    """
    clock = _clock(given)

    def step(alarm: Alarm, one: Standing) -> Step:
        if one.raised_ms != times[alarm.key]:
            return Step(one)
        return stepping.acknowledge(alarm, one, clock.now_ms, person.name, note)

    def why_not(one: Standing) -> str:
        if one.raised_ms not in times.values():
            return "was raised anew since: that is told by a message of its own"
        return _why_not_acknowledged(one, clock)

    doing = _Doing("alarm.acknowledge", step, why_not, _noted(note))
    return _do(given, person, times, doing, first)


def shelve(given: Services, person: Person, keys: Collection[str], hours: float, why: str) -> None:
    """Hold alarms back for some hours, all of them or none; they come back by themselves.

    Raises:
        Problem: no reason, no such alarm, or longer than this person may.

    """
    why = _reason(why)
    if not 0 < hours <= LONGEST_OF_ALL_H:
        raise Problem(422, f"An alarm is shelved for at most {LONGEST_OF_ALL_H / 24:.0f} days.")
    if hours > LONGEST_H and person.role is not Role.SUPERVISOR:
        raise Problem(
            403, f"For longer than {LONGEST_H:.0f} h an alarm is shelved by a supervisor."
        )
    now_ms = given.now_ms()
    until_ms = now_ms + round(hours * HOUR_MS)
    doing = _Doing(
        "alarm.shelve",
        lambda alarm, one: stepping.shelve(alarm, one, now_ms, until_ms, person.name, why),
        lambda one: "cannot be shelved",
        {"period": lasting(hours * HOUR_MS), "reason": why, "until_ms": until_ms},
    )
    _do(given, person, keys, doing)


def unshelve(given: Services, person: Person, key: str) -> None:
    """Take an alarm off the shelf.

    Raises:
        Problem: no such alarm, or it is not shelved.

    """
    doing = _Doing(
        "alarm.unshelve",
        lambda alarm, one: stepping.unshelve(alarm, one, given.now_ms(), person.name),
        lambda one: "is not shelved",
        {},
    )
    _do(given, person, [key], doing)


def out_of_service(given: Services, person: Person, key: str, why: str) -> None:
    """Take an alarm out of service until somebody puts it back.

    Raises:
        Problem: no reason, no such alarm, it is out of service already, or without the right.

    """
    _may_set_up(person)
    why = _reason(why)
    doing = _Doing(
        "alarm.out-of-service",
        lambda alarm, one: stepping.out_of_service(alarm, one, given.now_ms(), person.name, why),
        lambda one: f"is out of service already: {one.out_of_service}",
        {"reason": why},
    )
    _do(given, person, [key], doing)


def in_service(given: Services, person: Person, key: str, note: str = "") -> None:
    """Put an alarm into service again.

    Raises:
        Problem: no such alarm, it is in service, or without the right.

    """
    _may_set_up(person)
    note = plain(note, NOTE_LONGEST)
    doing = _Doing(
        "alarm.in-service",
        lambda alarm, one: stepping.in_service(alarm, one, given.now_ms(), person.name, note),
        lambda one: "is in service",
        _noted(note),
    )
    _do(given, person, [key], doing)


def reset(given: Services, person: Person, key: str, note: str = "") -> None:
    """Reset a latched alarm whose condition is normal again.

    Raises:
        Problem: no such alarm, it is not latched, or its condition is not known to be normal.

    """
    note = plain(note, NOTE_LONGEST)
    doing = _Doing(
        "alarm.reset",
        lambda alarm, one: stepping.reset(alarm, one, given.now_ms(), person.name, note),
        _why_not_reset,
        _noted(note),
    )
    _do(given, person, [key], doing)


def raise_test(given: Services, person: Person) -> None:
    """Raise the test alarm, which proves that an alarm reaches people; it ends by itself.

    Raises:
        Problem: it stands already.

    """
    note = f"asked for by {person.name}" if person.name else "asked for"
    doing = _Doing(
        "alarm.test",
        lambda alarm, one: stepping.raise_test(alarm, one, given.now_ms(), person.name, note),
        lambda one: "stands already; it ends within a minute",
        {},
    )
    _do(given, person, [TEST_KEY], doing)


# --- one transaction ------------------------------------------------------------------


def _do(
    given: Services,
    person: Person,
    keys: Collection[str],
    doing: _Doing,
    first: Callable[[Connection], None] | None = None,
) -> list[str]:
    known, network, at_ms = given.alarms().alarms, given.network(), given.now_ms()
    if not keys:
        raise Problem(422, "Choose at least one alarm.")
    missing = [key for key in keys if key not in known]
    if missing:
        raise Problem(404, "There is no such alarm (any more). Load the page anew.")
    with given.database.writing() as connection:
        alarms.alone(connection)
        if first is not None:
            first(connection)
        stood = alarms.of_keys(connection, keys)
        steps = {key: doing.step(known[key], stood.get(key, _NEW)) for key in dict.fromkeys(keys)}
        steps = {key: step for key, step in steps.items() if step.entries}
        if not steps:
            names = {key: called(known[key], network) for key in keys}
            raise Problem(
                409, _refused(doing, [(names[key], stood.get(key, _NEW)) for key in keys])
            )
        alarms.keep(connection, steps, at_ms)
        for act in _told(doing, {key: called(known[key], network) for key in steps}):
            tell(connection, given, person, act)
    return list(steps)


def _told(doing: _Doing, names: Mapping[str, str]) -> list[Act]:
    """Return what is written down: an act an alarm, or of many one; the journal has each."""
    if len(names) <= TOLD_ALONE:
        return [
            Act(doing.action, "alarm", key, {}, doing.after, name) for key, name in names.items()
        ]
    first, *others = names.values()
    after = {**doing.after, "keys": list(names)}
    name = f"{first} and {len(others)} other alarms"
    return [Act(doing.action, "alarm", next(iter(names)), {}, after, name)]


def _refused(doing: _Doing, some: Sequence[tuple[str, Standing]]) -> str:
    name, standing = some[0]
    more = len(some) - 1
    also = f" So it is with {plural(more, 'other', 'others')} of the chosen ones." if more else ""
    return f"{name} {doing.why_not(standing)}.{also}"


def _why_not_acknowledged(one: Standing, clock: Clock) -> str:
    if one.state is AlarmState.NORMAL:
        seen = one.acked_ms is not None and one.cleared_ms is not None
        return "is normal: nothing waits for it" if not seen else _by_whom(one, clock)
    return _by_whom(one, clock)


def _by_whom(one: Standing, clock: Clock) -> str:
    if one.acked_ms is None:
        return "does not wait for it"
    by = f" by {one.acked_by}" if one.acked_by else ""
    return f"was acknowledged{by} at {clock.words(one.acked_ms)} already"


def _why_not_reset(one: Standing) -> str:
    if one.state is not AlarmState.RETURNED:
        return "does not wait for a reset"
    if one.condition is not Condition.NORMAL:
        return "cannot be reset: its condition is not known to be normal"
    return "is not latched: it ends by itself"


def _noted(note: str) -> dict[str, Any]:
    return {"words": f"noted: {note.rstrip('.')}" if note else "without a note"}


def _reason(why: str) -> str:
    why = plain(why, NOTE_LONGEST)
    if len(why) < 3:
        raise Problem(422, "Say in a few words why; whoever comes next reads it.")
    return why


def _may_set_up(person: Person) -> None:
    if not person.may(Right.SETUP):
        raise Problem(403, f"That needs the right to {WORDS[Right.SETUP]}.")


def _clock(given: Services) -> Clock:
    return Clock(find_zone(given.network().time_zone), given.now_ms())

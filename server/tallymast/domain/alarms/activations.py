"""Reads a journal as activations: raised, cleared, acknowledged, and whether anybody saw them."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from tallymast.domain.alarms.model import Entry, Event

_BEGINS = {
    Event.SHELVED: "shelf",
    Event.SUPPRESSED: "design",
    Event.OUT_OF_SERVICE: "service",
}
_ENDS = {
    Event.UNSHELVED: "shelf",
    Event.UNSUPPRESSED: "design",
    Event.IN_SERVICE: "service",
}


@dataclass(frozen=True, slots=True)
class Activation:
    """One time that an alarm was raised; UTC ms, None: not yet.

    ``shown`` is false where it was shelved, suppressed or out of service when it was raised: no
    operator was called by it.
    """

    alarm: str
    raised_ms: int
    cleared_ms: int | None = None
    acked_ms: int | None = None
    shown: bool = True


def activations(entries: Iterable[Entry], to_ms: int) -> tuple[Activation, ...]:
    """Return the activations in a journal before ``to_ms``, in the order they were raised.

    Args:
        entries: those of one instant in the order they were written, as one look may hold an alarm
            back and raise it; else in any order. Those before the span that is asked about tell
            what was active and held when it began.
        to_ms: what was written then or later is not looked at.

    """
    done: list[Activation] = []
    latest: dict[str, int] = {}
    held: dict[str, set[str]] = {}
    known = sorted((entry for entry in entries if entry.at_ms < to_ms), key=lambda e: e.at_ms)
    for entry in known:
        _hold(held.setdefault(entry.alarm, set()), entry)
        if entry.event is Event.RAISED:
            latest[entry.alarm] = len(done)
            done.append(Activation(entry.alarm, entry.at_ms, shown=not held[entry.alarm]))
        elif entry.alarm in latest:
            place = latest[entry.alarm]
            done[place] = _went_on(done[place], entry)
    return tuple(done)


def by_alarm(found: Iterable[Activation]) -> Mapping[str, list[Activation]]:
    """Return activations by their alarm."""
    sorted_out: dict[str, list[Activation]] = {}
    for one in found:
        sorted_out.setdefault(one.alarm, []).append(one)
    return sorted_out


def _hold(held: set[str], entry: Entry) -> None:
    if entry.event in _BEGINS:
        held.add(_BEGINS[entry.event])
    elif entry.event in _ENDS:
        held.discard(_ENDS[entry.event])


def _went_on(one: Activation, entry: Entry) -> Activation:
    if entry.event is Event.CLEARED and one.cleared_ms is None:
        return replace(one, cleared_ms=entry.at_ms)
    if entry.event is Event.ACKNOWLEDGED and one.acked_ms is None:
        return replace(one, acked_ms=entry.at_ms)
    return one

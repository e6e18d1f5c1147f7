"""Writes the performance figures of alarms down: value, sample, target, and whether it is met."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from tallymast.domain.alarms.figures import TARGETS, Acknowledging, Figures
from tallymast.domain.alarms.model import Alarms
from tallymast.domain.alarms.windows import rate_words, upset_words
from tallymast.domain.model import Priority
from tallymast.routes.alarm_words import name_of
from tallymast.routes.formats import Clock, lasting, number, percent, plural, share
from tallymast.routes.rows import Mark
from tallymast.routes.services import NetworkView

NAMED: Final = 5
_MARKS: Final = {
    True: Mark("met", "disc", "calm"),
    False: Mark("not met", "triangle", "watch"),
    None: Mark("not judged", "dash", "off"),
}


@dataclass(frozen=True, slots=True)
class FigureLine:
    """One figure as it is listed: its name, value, what it was counted from, and its target."""

    name: str
    value: str
    sample: str
    target: str
    source: str
    mark: Mark


@dataclass(frozen=True, slots=True)
class OftenLine:
    """One of the alarms that were raised most; ``number`` 0 where it is no longer set up."""

    number: int
    name: str
    count: int
    share: str


def figure_lines(
    found: Figures, alarms: Alarms, network: NetworkView, clock: Clock
) -> tuple[FigureLine, ...]:
    """Return the figures of a period, each beside its target."""
    raised = plural(found.raised, "alarm")
    windows = f"{number(found.windows)} times 10 min"
    seen = windows if found.windows else raised  # some minutes are no whole window yet
    hours = plural(int(found.days * 24), "hour")

    def named(keys: Sequence[str]) -> str:
        return _named(keys, alarms, network)

    rows = (
        ("per_ten_min", "Alarms in ten minutes", _asked(found), raised),
        ("per_day", "Alarms a day", _average(found.per_day), raised),
        ("busiest", "Most in any ten minutes", _busiest(found, clock), seen),
        ("full_windows_share", "Ten minutes above 10", percent(found.full_windows_share), windows),
        ("full_hours_share", "Hours above 30", percent(found.full_hours_share), hours),
        ("flood_share", "Time in floods", percent(found.flood_share), _floods(found)),
        ("top_share", "The ten raised most", percent(found.top_share), raised),
        ("chattering", "Chattering (3 in a minute)", named(found.chattering), raised),
        ("fleeting", "Fleeting (over within a minute)", str(found.fleeting), raised),
        ("stale_most", "Stale (active above 24 h), on any day", *_stale(found, named(found.stale))),
        ("priorities", "Priorities", _priorities(found.priorities), raised),
    )
    return tuple(_line(found, *row) for row in rows)


def often(
    found: Figures, alarms: Alarms, numbers: Mapping[str, int], network: NetworkView
) -> tuple[OftenLine, ...]:
    """Return the alarms that were raised most, with their share of all."""
    return tuple(
        OftenLine(numbers.get(key, 0), name_of(key, alarms, network), n, share(n, found.raised))
        for key, n in found.top
    )


def acknowledging_words(found: Acknowledging) -> str:
    """Return in a sentence how soon alarms were acknowledged; empty where none was raised."""
    every = found.done + found.open
    if not every:
        return ""
    words = f"{found.done} of {plural(every, 'alarm')} acknowledged"
    if found.median_s is None or found.longest_s is None:
        return f"{words}."
    return (
        f"{words}, half of them within {lasting(found.median_s * 1000)}, the slowest after "
        f"{lasting(found.longest_s * 1000)}; {found.within_ten_min} within ten minutes."
    )


def _line(found: Figures, key: str, name: str, value: str, sample: str) -> FigureLine:
    target = TARGETS[key]
    return FigureLine(name, value, sample, target.words, target.source, _MARKS[found.meets(key)])


def _average(value: float | None) -> str:
    return "unknown" if value is None else number(value, 2 if value < 10 else 0)


def _asked(found: Figures) -> str:
    """Return the average, and once there are days enough what it asks of one operator."""
    average = _average(found.per_ten_min)
    if found.per_ten_min is None or not found.is_judged:
        return average
    return f"{average}, {rate_words(found.per_ten_min)}"


def _busiest(found: Figures, clock: Clock) -> str:
    if found.busiest_ms is None:
        return str(found.busiest)
    words = f"{found.busiest}, from {clock.words(found.busiest_ms)}"
    return f"{words}, {upset_words(found.busiest)}" if found.is_judged else words


def _floods(found: Figures) -> str:
    return plural(len(found.floods), "flood")


def _stale(found: Figures, now: str) -> tuple[str, str]:
    return str(found.stale_most), f"now: {now}"


def _priorities(counted: Mapping[Priority, int]) -> str:
    every = sum(counted.values())
    if not every:
        return "unknown"
    return ", ".join(
        f"{priority.value} {counted[priority]} ({share(counted[priority], every)})"
        for priority in reversed(Priority)
    )


def _named(keys: Sequence[str], alarms: Alarms, network: NetworkView) -> str:
    if not keys:
        return "none"
    names = [name_of(key, alarms, network) for key in keys[:NAMED]]
    more = f" and {len(keys) - NAMED} more" if len(keys) > NAMED else ""
    return f"{len(keys)}: {'; '.join(names)}{more}"

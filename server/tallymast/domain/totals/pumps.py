"""Which pumps a site has, and which points tell of each.

A pump's points belong together by what remains of their names (``pump_names.py``); an output's
link to the contact that proves it says of which pump that contact is, too. A count that fits no
pump, or more than one, is left out and said so: it is never guessed.

Where names do not part several pumps, the site has one, and all its points are told together.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from tallymast.domain.model import Point, PointKind, Site
from tallymast.domain.totals.pump_names import (
    OF_HOURS,
    OF_OUTPUT,
    OF_STARTS,
    OF_STATE,
    RUNS,
    Key,
    PumpName,
    are_alike,
    are_all_alike,
    name_in,
    words_of,
)

_STARTS: Final = ("start", "cycles", "operations")
_ON: Final = ("pump on", "motor on")
_RUNS: Final = ("run", *_ON)
# Contacts that say "run" or prove an output, and are not a pump that runs. Ours.
_NOT_RUNNING: Final = frozenset(
    words_of(
        "dry fault fail failed failure alarm trip tripped ready demand enable enabled permit"
        " permissive request requested command available stop stopped off valve gate open opened"
        " closed shut"
    )
)
_SWITCHED: Final = (PointKind.DISCRETE_OUTPUT, PointKind.PULSE_OUTPUT)


@dataclass(frozen=True, slots=True)
class Pump:
    """Which points of a site tell of one of its pumps; None where it has none such.

    Attributes:
        hours: the station's own count of the time it ran.
        starts: the station's own count of starts.
        state: whether it runs now.
        name: what it is called; empty where the site has one pump.

    """

    hours: Point | None
    starts: Point | None
    state: Point | None
    name: str = ""

    @property
    def is_told(self) -> bool:
        """Whether anything tells of one."""
        return self.hours is not None or self.starts is not None or self.state is not None

    @property
    def tags(self) -> tuple[str, str, str]:
        """Its points' tags, by which it is told from the site's others."""
        hours, starts, state = (
            one.tag if one else "" for one in (self.hours, self.starts, self.state)
        )
        return hours, starts, state

    @property
    def counts_starts(self) -> bool:
        """Whether its starts are known, by its own counter or by its state."""
        return self.starts is not None or self.state is not None


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A count that belongs to no pump for sure, and why in a sentence."""

    point: Point
    why: str


@dataclass(frozen=True, slots=True)
class PumpsAt:
    """A site's pumps, in the order of their points, and the counts that are left out."""

    pumps: tuple[Pump, ...]
    left_out: tuple[LeftOut, ...] = ()

    @property
    def starts(self) -> tuple[Point, ...]:
        """The counters that count starts, those left out too."""
        told = [pump.starts for pump in self.pumps if pump.starts is not None]
        out = [one.point for one in self.left_out if one.point.kind is PointKind.COUNTER]
        return (*told, *out)


@dataclass(slots=True)
class _Group:
    """A pump while its points are gathered; ``keys``: all that it may be called."""

    name: PumpName
    keys: set[Key]
    state: Point | None = None
    is_proven: bool = False
    hours: list[Point] = field(default_factory=list)
    starts: list[Point] = field(default_factory=list)


_Count = tuple[Point, PumpName]


def pumps_of(site: Site) -> tuple[Pump, ...]:
    """Return a site's pumps, in the order of their points; none where nothing tells of one."""
    return pumps_at(site).pumps


def pumps_at(site: Site) -> PumpsAt:
    """Return a site's pumps and the counts that could not be given to one of several."""
    counts = _counts(site)
    groups = _running(site)
    _add_counted(groups, counts)
    if len(groups) < 2:
        one = _all_together(site)
        return PumpsAt((one,) if one.is_told else ())
    out = _given(list(groups.values()), counts)
    pumps = [_pump(group) for group in groups.values()]
    return PumpsAt(tuple(pump for pump in pumps if pump.is_told), tuple(out))


def may_be_added(pumps: Iterable[Pump]) -> bool:
    """Return whether the hours of a site's pumps make sense together.

    There are several, each tells a time, and they are named alike, as duty and standby pumps are:
    one called plainly "Pump" beside "Pump 1" may itself stand for all of them.
    """
    some = list(pumps)
    tell = all(pump.hours is not None or pump.state is not None for pump in some)
    names = [name_in(pump.name, frozenset()) for pump in some]
    return len(some) > 1 and tell and are_all_alike(names)


def _all_together(site: Site) -> Pump:
    """Return the points of the only pump.

    The first duration, the first counter named of starts, and the contact that an output names
    as its feedback, else the first one named of running.
    """
    fed = _proven(site)
    contacts = [point for point in site.points if point.kind is PointKind.DISCRETE_INPUT]
    proven = [point for point in contacts if point.tag in fed]
    named = [point for point in contacts if _is_named(point, _RUNS)]
    return Pump(
        site.point_of(PointKind.DURATION),
        next((point for point, _ in _counts(site) if point.kind is PointKind.COUNTER), None),
        next(iter(proven or named), None),
    )


def _counts(site: Site) -> list[_Count]:
    """Return a site's counts of hours and of starts, and whose each says it is."""
    found = []
    for point in site.points:
        if point.kind is PointKind.DURATION:
            found.append((point, name_in(point.name, OF_HOURS)))
        elif point.kind is PointKind.COUNTER and _is_named(point, _STARTS):
            found.append((point, name_in(point.name, OF_STARTS)))
    return found


def _proven(site: Site) -> dict[str, list[Point]]:
    """Return the outputs of each point that proves some, by its tag."""
    found: dict[str, list[Point]] = {}
    for point in site.points:
        if point.feedback is not None:
            found.setdefault(point.feedback.tag, []).append(point)
    return found


def _running(site: Site) -> dict[Key, _Group]:
    """Return the pumps that contacts tell of; of two contacts of one pump the proven first."""
    fed, groups = _proven(site), dict[Key, _Group]()
    for point in site.points:
        outputs = fed.get(point.tag, [])
        if not _tells_running(point, bool(outputs)):
            continue
        names = [name_in(one.name, OF_OUTPUT) for one in outputs if one.kind in _SWITCHED]
        own = name_in(point.name, OF_STATE)
        # "Contact 7" that proves "Start pump 1" is no pump 7.
        names = [own, *names] if _is_named_running(point) or not any(names) else names
        best = next(filter(None, names), names[0])
        group = groups.setdefault(best.key, _Group(best, set()))
        group.keys |= {names[0].key, *(name.key for name in names if name)}
        if group.state is None or (outputs and not group.is_proven):
            group.state, group.is_proven = point, bool(outputs)
    return groups


def _tells_running(point: Point, is_proven: bool) -> bool:
    if point.kind is not PointKind.DISCRETE_INPUT:
        return False
    is_other = not _NOT_RUNNING.isdisjoint(words_of(point.name))
    return not is_other and (is_proven or _is_named_running(point))


def _is_named_running(point: Point) -> bool:
    words = (*words_of(point.name), *words_of(point.tag))
    return not RUNS.isdisjoint(words) or any(said in point.name.lower() for said in _ON)


def _add_counted(groups: dict[Key, _Group], counts: list[_Count]) -> None:
    """Add the pumps that only counts tell of.

    Beside others, a count stands for a pump of its own where it is named as another one is but
    for a number or a word; where no contact tells of any and a role has several counts, by any
    name.
    """
    named = [name for _, name in counts if name.may_be_a_pump]
    kinds = [point.kind for point, _ in counts]
    is_plain = not groups and len(kinds) > len(set(kinds))
    others = [group.name for group in groups.values()] + named
    taken = {key for group in groups.values() for key in group.keys}
    for name in named:
        if name.key not in taken and (is_plain or any(are_alike(name, one) for one in others)):
            groups.setdefault(name.key, _Group(name, {name.key}))


def _given(groups: list[_Group], counts: list[_Count]) -> list[LeftOut]:
    """Give each count to its pump; return those that have none for sure."""
    out = []
    for point, name in counts:
        fits = [group for group in groups if name.key in group.keys]
        if len(fits) != 1:
            out.append(LeftOut(point, _why(point, name, fits)))
        else:
            _role(fits[0], point).append(point)
    for group in groups:
        for some in (group.hours, group.starts):
            if len(some) > 1:
                out += [LeftOut(point, _why_double(point, some, group)) for point in some]
                some.clear()
    return out


def _role(group: _Group, point: Point) -> list[Point]:
    return group.hours if point.kind is PointKind.DURATION else group.starts


def _pump(group: _Group) -> Pump:
    hours, starts = (next(iter(some), None) for some in (group.hours, group.starts))
    return Pump(hours, starts, group.state, _called(group))


def _called(group: _Group) -> str:
    return group.name.shown or (group.state.name if group.state is not None else "")


def _why(point: Point, name: PumpName, fits: list[_Group]) -> str:
    if fits:
        pumps = " or of ".join(_called(group) for group in fits)
        return f"{point.name} is left out: it may be of {pumps}."
    if not name.says_which:
        return f"{point.name} is left out: it does not say of which pump it is."
    return f"{point.name} is left out: it is not named as one of the pumps is."


def _why_double(point: Point, some: list[Point], group: _Group) -> str:
    others = " and ".join(one.name for one in some if one is not point)
    return f"{point.name} is left out: {others} counts the same of {_called(group)}."


def _is_named(point: Point, words: tuple[str, ...]) -> bool:
    name = f" {point.name} {point.tag} ".lower()
    restarts = "restart" in name
    return not restarts and any(word in name for word in words)

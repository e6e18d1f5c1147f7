"""What the page of alarms lists, worked out: what calls, and what is held back and why."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from tallymast.domain.alarms.model import Alarm, Alarms, AlarmState, Condition, Kind, Standing
from tallymast.domain.model import Priority, SitePlan
from tallymast.routes.alarm_count import is_waiting
from tallymast.routes.alarm_words import (
    called,
    is_unknown,
    mark_of,
    place_of,
    point_of,
    says,
    urgency,
    what_of,
)
from tallymast.routes.formats import plural
from tallymast.routes.rows import Mark
from tallymast.routes.services import NetworkView

NEVER_MS = 2**62
SEEN_STEP_MS = 10_000  # Ours: how finely "looked at until" follows what is read


@dataclass(frozen=True, slots=True)
class AlarmRow:
    """One alarm as it is listed.

    Attributes:
        number: in addresses.
        priority, mark: how soon it wants a person, and its state by word, shape and tone.
        place, href: where it is, and that page; chart: of what it watches, empty for none.
        what, says: what it is called, and what was read against what.
        raised_ms, cleared_ms: of the last time; unknown_ms: when it was judged last, where it
            cannot be judged now.
        acked: by whom, empty while it wants acknowledging; acked_ms: when.
        calls: whether it is still to be acknowledged; loud: whether it may be heard as well.
        first: whether it came first of its group.
        response, consequence: what to do, and what happens if nobody does.

    """

    number: int
    priority: str
    mark: Mark
    place: str
    href: str
    chart: str
    what: str
    says: str
    raised_ms: int | None
    cleared_ms: int | None
    unknown: bool
    unknown_ms: int | None
    acked: str
    acked_ms: int | None
    calls: bool
    loud: bool
    first: bool
    response: str
    consequence: str


@dataclass(frozen=True, slots=True)
class HeldRow:
    """One alarm that is held back: where, what, and for how long by whom and why."""

    number: int
    name: str
    state: str
    until_ms: int | None = None
    actor: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True)
class Suppressed:
    """Alarms that one cause suppresses."""

    cause: str
    rows: tuple[HeldRow, ...]
    abnormal: int  # so many of them stood already when it began

    @property
    def words(self) -> str:
        """Return ``11 alarms suppressed``."""
        return f"{plural(len(self.rows), 'alarm')} suppressed"


@dataclass(frozen=True, slots=True)
class Watched:
    """What was looked at: how many alarms at how many sites, until when, what is not known."""

    alarms: int
    sites: int
    seen_ms: int | None
    unknown: tuple[HeldRow, ...]


@dataclass(frozen=True, slots=True)
class AlarmView:
    """Everything the page of alarms shows."""

    rows: tuple[AlarmRow, ...]
    suppressed: tuple[Suppressed, ...]
    shelved: tuple[HeldRow, ...]
    out_of_service: tuple[HeldRow, ...]
    watched: Watched

    @property
    def waiting(self) -> int:
        """Return how many are still to be acknowledged."""
        return sum(row.calls for row in self.rows)

    @property
    def headline(self) -> str:
        """Return ``3 alarms, 2 of them not acknowledged.``."""
        if not self.rows:
            return "Nothing calls."
        waiting = f"{self.waiting} of them" if self.waiting < len(self.rows) else "all"
        words = f"{waiting} not acknowledged" if self.waiting else "all acknowledged"
        if len(self.rows) == 1:
            words = "not acknowledged" if self.waiting else "acknowledged"
        return f"{plural(len(self.rows), 'alarm')}, {words}."


def view(alarms: Alarms, numbers: Mapping[str, int], network: NetworkView) -> AlarmView:
    """Return what the page shows; an alarm that has no number yet waits for the next look."""
    known = [
        (alarm, alarms.standings.get(key, Standing()))
        for key, alarm in alarms.alarms.items()
        if key in numbers
    ]

    def held(found: Iterable[tuple[Alarm, Standing]]) -> tuple[HeldRow, ...]:
        rows = [_held(alarm, one, numbers[alarm.key], network) for alarm, one in found]
        return tuple(sorted(rows, key=lambda row: row.name))

    shown = sorted((one for one in known if one[1].is_shown), key=_order)
    return AlarmView(
        tuple(row_of(alarm, one, numbers[alarm.key], network) for alarm, one in shown),
        _suppressed(known, numbers, network),
        held(one for one in known if one[1].shelved_until_ms is not None),
        held(one for one in known if one[1].out_of_service),
        Watched(
            len(known),
            len({alarm.site for alarm, _ in known if alarm.site}),
            _seen(one.seen_ms for _, one in known),
            held(one for one in known if _cannot_judge(one[1])),
        ),
    )


def of_site(alarms: Alarms, key: str, network: NetworkView) -> tuple[AlarmRow, ...]:
    """Return what calls at one site, in the order of the page; their numbers are left open."""
    of_it = [
        (alarm, one)
        for alarm in alarms.alarms.values()
        if alarm.site == key and (one := alarms.standings.get(alarm.key, Standing())).is_shown
    ]
    return tuple(row_of(alarm, one, 0, network) for alarm, one in sorted(of_it, key=_order))


def row_of(alarm: Alarm, standing: Standing, number: int, network: NetworkView) -> AlarmRow:
    """Return one alarm as it is listed."""
    plan = network.site_or_retired(alarm.site) if alarm.site else None
    point = point_of(alarm, plan)
    place, href = place_of(alarm, network)
    return AlarmRow(
        number=number,
        priority=alarm.priority.value,
        mark=mark_of(alarm, standing),
        place=place,
        href=href,
        chart=_chart(alarm, plan),
        what=what_of(alarm, point),
        says=says(alarm, standing, point),
        raised_ms=standing.raised_ms,
        cleared_ms=standing.cleared_ms if standing.state is AlarmState.RETURNED else None,
        unknown=is_unknown(standing),
        unknown_ms=standing.seen_ms if is_unknown(standing) else None,
        acked=standing.acked_by if standing.state is AlarmState.ACKNOWLEDGED else "",
        acked_ms=standing.acked_ms if standing.state is AlarmState.ACKNOWLEDGED else None,
        calls=is_waiting(alarm, standing),
        loud=_is_loud(alarm, standing),
        first=standing.first and bool(alarm.first_up),
        response=alarm.response,
        consequence=alarm.consequence,
    )


def _order(one: tuple[Alarm, Standing]) -> tuple[int, bool, int, str]:
    alarm, standing = one
    raised = standing.raised_ms if standing.raised_ms is not None else NEVER_MS
    return urgency(alarm), not is_waiting(alarm, standing), raised, alarm.key


def _suppressed(
    known: Iterable[tuple[Alarm, Standing]], numbers: Mapping[str, int], network: NetworkView
) -> tuple[Suppressed, ...]:
    by_cause: dict[str, list[tuple[Alarm, Standing]]] = defaultdict(list)
    for alarm, one in known:
        if one.suppressed_by and not one.out_of_service and one.shelved_until_ms is None:
            by_cause[cause_of(one)].append((alarm, one))
    return tuple(
        Suppressed(
            cause,
            tuple(_held(alarm, one, numbers[alarm.key], network) for alarm, one in found),
            sum(one.state.is_active for _, one in found),
        )
        for cause, found in sorted(by_cause.items())
    )


def cause_of(standing: Standing) -> str:
    """Return the one cause that suppresses, without the site that is reached through it."""
    return standing.suppressed_by.removeprefix("suppressed: ").partition(", and ")[0]


def _held(alarm: Alarm, standing: Standing, number: int, network: NetworkView) -> HeldRow:
    return HeldRow(
        number,
        called(alarm, network),
        mark_of(alarm, standing).word,
        standing.shelved_until_ms,
        standing.shelved_by,
        standing.out_of_service or standing.shelved_why,
    )


def _is_loud(alarm: Alarm, standing: Standing) -> bool:
    is_new = standing.state is AlarmState.UNACKNOWLEDGED
    return is_new and alarm.priority is not Priority.NORMAL


def _cannot_judge(standing: Standing) -> bool:
    is_held = standing.suppressed_by or standing.out_of_service
    return standing.condition is Condition.UNKNOWN and not standing.is_shown and not is_held


def _seen(times: Iterable[int | None]) -> int | None:
    newest = max((at_ms for at_ms in times if at_ms is not None), default=None)
    return None if newest is None else newest // SEEN_STEP_MS * SEEN_STEP_MS


def _chart(alarm: Alarm, plan: SitePlan | None) -> str:
    if plan is None or plan.site.retired is not None:
        return ""
    if alarm.kind is Kind.COMM_FAIL:
        return f"/sites/{alarm.site}#chart-contact"
    is_charted = alarm.tag and alarm.kind not in (Kind.STATE, Kind.FEEDBACK, Kind.ORDER)
    return f"/sites/{alarm.site}#chart-{alarm.tag}" if is_charted else ""

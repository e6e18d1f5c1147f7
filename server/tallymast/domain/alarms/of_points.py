"""Makes one alarm of a point: its key, its place and its words."""

from typing import Any

from tallymast.domain.alarms.model import Alarm, Kind
from tallymast.domain.alarms.wording import WORDINGS
from tallymast.domain.model import Point, Priority, Site


def point_alarm(
    site: Site,
    point: Point,
    kind: Kind,
    priority: Priority,
    limit: float | None = None,
    deadband: float = 0.0,
    on_delay_s: float = 0.0,
    off_delay_s: float = 0.0,
    first_up: str = "",
    name: str = "",
    **more: Any,
) -> Alarm:
    """Return an alarm of a point.

    Args:
        site: where it is.
        point: what is watched.
        kind: what of it.
        priority: how soon it wants a person.
        limit: in the point's own unit, of a rate of change in that unit per hour.
        deadband: likewise.
        on_delay_s: how long the condition has to last.
        off_delay_s: how long it has to be over.
        first_up: the group that tells which came first.
        name: the last part of its key, where a point has several of one kind.
        more: other attributes.

    """
    rationale, consequence, response = WORDINGS[kind].of(f"{point.name} at {site.name}")
    return Alarm(
        f"{site.key}/{point.tag}/{name or kind}",
        kind,
        priority,
        site.key,
        point.tag,
        site.gateway,
        limit,
        deadband,
        on_delay_s,
        off_delay_s,
        point.alarm_when or "" if kind is Kind.STATE else "",
        rationale,
        consequence,
        response,
        first_up=first_up,
        **more,
    )

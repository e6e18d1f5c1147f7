"""Up to where volumes are told: each point to its last reading, in the same words on every page."""

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby

from sqlalchemy import Connection

from tallymast.domain.record.days import Contract, begin_of, date_of
from tallymast.domain.totals.meters import restart_point
from tallymast.domain.totals.newest import Newest, newest_of
from tallymast.routes.services import Services
from tallymast.routes.volumes.periods import closed_until, next_day
from tallymast.routes.volumes.points import Stood
from tallymast.storage import volume_days
from tallymast.storage.open_hours import Now, up_to_now
from tallymast.storage.volume_days import Reading
from tallymast.storage.volumes import Span


def read_up_to_now(
    conn: Connection,
    given: Services,
    contract: Contract,
    some: Sequence[Stood],
    days: Sequence[Span],
) -> Reading:
    """Return what many points counted in some days, in the hour that goes on as well.

    Args:
        conn: in one read transaction.
        given: the services.
        contract: when days begin.
        some: the points.
        days: ascending; later ones may go on or lie ahead.

    """
    now_ms = given.now_ms()
    edge_ms, today = closed_until(now_ms), date_of(now_ms, contract)
    points = [one.counted for one in some]
    closed = [(begin, min(end, edge_ms)) for begin, end in days if begin < edge_ms]
    read = volume_days.of_points(conn, points, closed)
    if not days or days[-1][1] <= now_ms:
        return read
    span = begin_of(today, contract), begin_of(next_day(today), contract)
    return up_to_now(conn, read, points, Now(edge_ms, now_ms, span, contract, newest(given, some)))


def newest(given: Services, some: Iterable[Stood]) -> Mapping[int, Newest]:
    """Return what registers showed last, by point; those nobody has read are left out."""
    states = given.live.sites()
    found: dict[int, Newest] = {}
    for site_id, group in groupby(some, lambda one: one.plan.site_id):
        own = list(group)
        state, plan = states.get(site_id), own[0].plan
        if state is None:
            continue
        counter = restart_point(plan.site)
        tags = [one.counted.point.tag for one in own]
        shown = newest_of(state, plan.layout, tags, counter.tag if counter else None)
        found |= {
            one.counted.point_id: shown[one.counted.point.tag]
            for one in own
            if one.counted.point.tag in shown
        }
    return found


def read_until(given: Services, some: Sequence[Stood], told_ms: int) -> int:
    """Return when the newest reading was that some points' figures hold.

    Args:
        given: the services.
        some: the points.
        told_ms: up to where they are told; where nothing is heard of a site that is now, and
            what is not known is part of its figures.

    """
    read = max((one.at_ms for one in newest(given, some).values()), default=told_ms)
    return min(read, told_ms)

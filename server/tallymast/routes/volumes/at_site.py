"""What a site counted, for its own page: each counting point, and how its pumps ran."""

from dataclasses import dataclass
from datetime import timedelta

from fastapi import Request

from tallymast.domain.model import SitePlan
from tallymast.domain.record.days import begin_of, date_of
from tallymast.routes.reliability_reading import contract_of
from tallymast.routes.services import Services
from tallymast.routes.volumes.event_lines import EventLine, event_lines
from tallymast.routes.volumes.periods import spans_of, the_period
from tallymast.routes.volumes.points import Stood, counts_volume
from tallymast.routes.volumes.present import read_until
from tallymast.routes.volumes.run_reading import RunsTold, run_book
from tallymast.routes.volumes.words import Figure, figure
from tallymast.storage import volume_days
from tallymast.storage.volume_days import Reading
from tallymast.storage.volume_keeping import counted_points
from tallymast.storage.volumes import Span

_EVENTS_BACK_MS = 7 * 86_400_000


@dataclass(frozen=True, slots=True)
class CountedLine:
    """One counting point of a site: today so far, yesterday, this month; None: not begun."""

    stood: Stood
    today: Figure | None
    yesterday: Figure | None
    month: Figure
    events: tuple[EventLine, ...]


@dataclass(frozen=True, slots=True)
class CountedAtSite:
    """The panel; ``until_ms`` is when the newest reading was that is told of."""

    lines: tuple[CountedLine, ...]
    runs: RunsTold
    until_ms: int


def counted_at(request: Request, given: Services, plan: SitePlan) -> CountedAtSite:
    """Return what a site counted, by its last readings."""
    network, now_ms = given.network(), given.now_ms()
    contract, gateway = contract_of(network), network.gateway_of(plan.site_id).gateway
    today = date_of(now_ms, contract)
    period = the_period("", 0, contract, now_ms)
    days = sorted({*period.days, today - timedelta(days=1)})
    spans = spans_of(days, contract, begin_of(today + timedelta(days=1), contract))
    with given.database.reading() as conn:
        points = [one for one in counted_points(conn, gateway, plan) if counts_volume(one)]
        numbers = [one.point_id for one in points]
        read = volume_days.of_each(conn, points, spans, contract, now_ms)
        events = volume_days.events_of(conn, numbers, now_ms - _EVENTS_BACK_MS, now_ms)
    lines = []
    for one in points:
        stood = Stood(gateway, one)
        own = read.spans[one.point_id]
        until_ms = own[-1].span[1] if own else now_ms
        told = events.get(one.point_id, ())
        words = event_lines(told, network, contract, both_ways=stood.both_ways)
        lines.append(
            CountedLine(
                stood,
                _on(read, stood, begin_of(today, contract)),
                _on(read, stood, begin_of(today - timedelta(days=1), contract)),
                _whole(read, stood, (period.begin_ms, max(until_ms, period.begin_ms))),
                tuple(line for line in words if not line.is_quiet)[:2],
            )
        )
    untils = [read.spans[number][-1].span[1] for number in numbers if read.spans[number]]
    runs = run_book(request).told([plan])
    some = [Stood(gateway, one) for one in points]
    until_ms = read_until(given, some, max(untils, default=now_ms))
    return CountedAtSite(tuple(lines), runs, until_ms)


def _on(read: Reading, one: Stood, begin_ms: int) -> Figure | None:
    own = read.spans[one.counted.point_id]
    told = next((part for part in own if part.span[0] == begin_ms), None)
    return None if told is None else figure(told, both_ways=one.both_ways)


def _whole(read: Reading, one: Stood, span: Span) -> Figure:
    return figure(read.whole(one.counted.point_id, span), both_ways=one.both_ways)

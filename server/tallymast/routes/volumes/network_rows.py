"""A network's counting points over some days, by area: what the page of volumes shows."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

from tallymast.domain.local_times import local_time
from tallymast.domain.record.days import Contract, begin_of, date_of
from tallymast.domain.totals.model import CountStep
from tallymast.domain.totals.month_figures import corrections
from tallymast.domain.totals.wording import known_words
from tallymast.domain.zones import find_zone
from tallymast.routes.reliability_reading import contract_of
from tallymast.routes.services import Services
from tallymast.routes.volumes.area_totals import Part, Total, Way, totals, ways_of
from tallymast.routes.volumes.bars import Bars, draw
from tallymast.routes.volumes.event_lines import EventLine, event_lines
from tallymast.routes.volumes.periods import Period, closed_until, days_ago, spans_of
from tallymast.routes.volumes.points import Stood, all_points, chosen
from tallymast.routes.volumes.present import read_until, read_up_to_now
from tallymast.routes.volumes.words import Figure, figure
from tallymast.storage import balances, month_closes, volume_days
from tallymast.storage.month_closes import MonthClose
from tallymast.storage.volume_days import Reading, Told
from tallymast.storage.volume_keeping import behind
from tallymast.storage.volumes import Span, figures

EVENTS_SHOWN: Final = 3
LOOKS_A_SITE: Final = 2


@dataclass(frozen=True, slots=True)
class Row:
    """One counting point.

    Attributes:
        stood: which.
        whole: all of the period so far.
        bars: its days.
        yesterday: the contract day before this one; None: it is not asked for.
        today: this one, up to the last reading; None: likewise, or nothing is known yet.
        events: what happened to it, the newest first, not all.
        more_events: how many more there are.
        closed: in words, how the month was closed; empty where it was not.
        told: the figures themselves.
        until_ms: up to where it is told, where that is the last closed hour; None: further.

    """

    stood: Stood
    whole: Figure
    bars: Bars
    yesterday: Figure | None
    today: Figure | None
    events: tuple[EventLine, ...]
    more_events: int
    closed: str
    told: Told
    until_ms: int | None = None

    @property
    def name(self) -> str:
        """Its site and its name."""
        return f"{self.stood.plan.site.name}, {self.stood.counted.point.name}"


@dataclass(frozen=True, slots=True)
class Area:
    """The points of an area, and what they come to, with what is to be said of that."""

    name: str
    rows: tuple[Row, ...]
    totals: tuple[Total, ...]
    note: str


@dataclass(frozen=True, slots=True)
class Shown:
    """Everything of a period.

    Attributes:
        areas: with a row a point.
        areas_known: names of all areas, for the filter.
        sites_known: key and name of all sites that count, for the filter.
        looks: sentences of the last days that somebody should read, newest first.
        until_ms: when the newest reading was that is told of.
        behind: of how many sites older hours are still worked out.

    """

    areas: tuple[Area, ...]
    areas_known: tuple[str, ...]
    sites_known: tuple[tuple[str, str], ...]
    looks: tuple["Look", ...]
    until_ms: int
    behind: int


@dataclass(frozen=True, slots=True)
class Look:
    """A sentence about a day: ``Hobby Pad 3 days ago: counter restarted …``.

    Attributes:
        stood: whose counter.
        day: the contract day.
        when: how long ago, in words.
        words: what happened, and how much of the day is known.
        began_ms: when it began.
        more: how many more of its site are not told.

    """

    stood: Stood
    day: date
    when: str
    words: str
    began_ms: int
    more: int = 0


def read_period(given: Services, period: Period, area: str = "", site: str = "") -> Shown:
    """Return what every counting point of an area or a site counted in a period."""
    network, now_ms = given.network(), given.now_ms()
    contract = contract_of(network)
    spans = _spans(period, contract, now_ms)
    with given.database.reading() as conn:
        known = all_points(conn, network)
        some = chosen(known, area, site)
        read = read_up_to_now(conn, given, contract, some, spans)
        numbers = [one.counted.point_id for one in some]
        events = volume_days.events_of(conn, numbers, period.begin_ms, period.end_ms)
        closes = month_closes.newest(conn, period.month) if period.month else {}
        late = behind(conn)
        ways = ways_of(balances.in_force(conn))
    made = _Made(given, period, contract, read, events, closes)
    rows = [made.row(one) for one in some if made.is_shown(one)]
    return Shown(
        _areas(rows, ways),
        tuple(dict.fromkeys(one.area for one in known)),
        tuple(dict.fromkeys((one.plan.site.key, one.plan.site.name) for one in known)),
        made.looks(some) if not period.is_over else (),
        made.until(some),
        late,
    )


def _spans(period: Period, contract: Contract, now_ms: int) -> list[Span]:
    days = list(period.days)
    if not period.is_over:
        yesterday = date.fromordinal(date_of(now_ms, contract).toordinal() - 1)
        days = [yesterday, *days] if yesterday < days[0] else days
    return spans_of(days, contract, period.end_ms)


@dataclass(frozen=True, slots=True)
class _Made:
    """Rows from what was read."""

    given: Services
    period: Period
    contract: Contract
    read: Reading
    events: Mapping[int, Sequence[CountStep]]
    closes: Mapping[int, MonthClose]

    def is_shown(self, one: Stood) -> bool:
        """Whether there is something to say of a point: a retired one only where it counted."""
        if one.plan.site.retired is None:
            return True
        return any(told.pieces for told in self.read.spans[one.counted.point_id])

    def row(self, one: Stood) -> Row:
        """Return a point's row."""
        number, both = one.counted.point_id, one.both_ways
        whole = self._whole(number)
        days = [told for told in self.read.spans[number] if told.span[0] >= self.period.begin_ms]
        network = self.given.network()
        events = self.events.get(number, ())
        lines = event_lines(events, network, self.contract, both_ways=both)
        return Row(
            one,
            figure(whole, both_ways=both),
            draw(days, len(self.period.days), both_ways=both),
            self._day(one, 1),
            self._day(one, 0),
            tuple(lines[:EVENTS_SHOWN]),
            max(len(lines) - EVENTS_SHOWN, 0),
            self._closed(number, whole),
            whole,
            None if self.period.is_over or whole.span[1] > self._edge_ms else whole.span[1],
        )

    def until(self, some: Sequence[Stood]) -> int:
        """Return when the newest reading was that is told of."""
        ends = [own[-1].span[1] for own in self.read.spans.values() if own]
        return read_until(self.given, some, max(ends, default=self._edge_ms))

    def looks(self, some: Sequence[Stood]) -> tuple[Look, ...]:
        """Return the days of the last week on which a counter lost something, in sentences."""
        today = local_time(self.given.now_ms(), find_zone(self.given.network().time_zone)).date()
        found: dict[tuple[str, date, str], tuple[float, Look]] = {}
        for one in some:
            events = self.events.get(one.counted.point_id, ())
            network = self.given.network()
            for line in event_lines(events, network, self.contract, both_ways=one.both_ways):
                if line.is_quiet or line.unknown == 0 or (today - line.began).days > 7:
                    continue
                told = self._on(one.counted.point_id, line.day)
                whole = f"; {known_words(told.counted)}" if told is not None else ""
                when = days_ago(line.began, today)
                look = Look(one, line.day, when, f"{line.words}{whole}.", line.span[0])
                most = float("inf") if line.unknown is None else line.unknown
                # Two totals of one station restart together: the one that may lack most is told.
                key = (one.plan.site.key, line.day, line.words.partition(";")[0])
                if key not in found or most > found[key][0]:
                    found[key] = (most, look)
        looks = sorted((look for _, look in found.values()), key=_begins, reverse=True)
        return tuple(_few(looks))

    @property
    def _edge_ms(self) -> int:
        return closed_until(self.given.now_ms())

    def _whole(self, number: int) -> Told:
        own = self.read.spans[number]
        end_ms = own[-1].span[1] if own else self._edge_ms
        end_ms = min(self.period.end_ms, max(end_ms, self.period.begin_ms))
        return self.read.whole(number, (self.period.begin_ms, end_ms))

    def _on(self, number: int, day: date) -> Told | None:
        begin_ms = begin_of(day, self.contract)
        return next((one for one in self.read.spans[number] if one.span[0] == begin_ms), None)

    def _day(self, one: Stood, back: int) -> Figure | None:
        if self.period.is_over:
            return None
        today = date_of(self.given.now_ms(), self.contract).toordinal()
        told = self._on(one.counted.point_id, date.fromordinal(today - back))
        return None if told is None else figure(told, both_ways=one.both_ways)

    def _closed(self, number: int, whole: Told) -> str:
        close = self.closes.get(number)
        if close is None:
            return ""
        moved = corrections(close.figures, figures(whole.booked))
        again = f", version {close.version}" if close.version > 1 else ""
        return f"closed{again}; corrected since" if _matters(moved) else f"closed{again}"


def _begins(look: Look) -> int:
    return look.began_ms


def _few(looks: Sequence[Look]) -> list[Look]:
    """Return at most two sentences a site, the second telling how many more there are."""
    of_site: dict[str, list[Look]] = {}
    for look in looks:
        of_site.setdefault(look.stood.plan.site.key, []).append(look)
    found = []
    for some in of_site.values():
        shown = some[:LOOKS_A_SITE]
        rest = len(some) - len(shown)
        found += [*shown[:-1], replace(shown[-1], more=rest)]
    return found


def _matters(moved: Sequence[str]) -> bool:
    return bool(moved)


def _areas(rows: Sequence[Row], ways: Mapping[int, Way]) -> tuple[Area, ...]:
    names = dict.fromkeys(row.stood.area for row in rows)
    found = []
    for name in names:
        some = tuple(row for row in rows if row.stood.area == name)
        parts = [Part(row.stood.counted.point_id, row.told, row.stood.both_ways) for row in some]
        found.append(Area(name, some, *totals(parts, ways)))
    return tuple(found)

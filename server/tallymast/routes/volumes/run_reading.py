"""How pumps ran, today, yesterday and over seven days; days that are over are kept a while.

A pump's state is read poll by poll, a week of it too often for every page: days that are over
are read again only after some minutes, for polls that came late.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from threading import Lock
from typing import Final

from sqlalchemy import Connection
from starlette.requests import Request

from tallymast.domain.model import Gateway, SitePlan
from tallymast.domain.record.days import begin_of, date_of
from tallymast.domain.totals.pumps import Pump, may_be_added, pumps_at
from tallymast.domain.totals.run_hours import RunTime, may_be_missed
from tallymast.routes.formats import lasting, percent, plural
from tallymast.routes.reliability_reading import contract_of
from tallymast.routes.services import NetworkView, Services
from tallymast.routes.volumes.periods import next_day
from tallymast.storage.run_times import run_times

_KEPT_MS: Final = 600_000  # ours: a late poll shows after ten minutes
_DAYS: Final = 7
_PumpKey = tuple[int, tuple[str, str, str]]  # the site, and the tags of the pump's points


@dataclass(frozen=True, slots=True)
class RunCell:
    """A span in words: the time it ran, its starts, what of it is known."""

    ran: str
    starts: str
    known: str


@dataclass(frozen=True, slots=True)
class RunRow:
    """One pump of a site, or all of them together.

    Attributes:
        plan: whose.
        pump: what the pump is called; empty where the site has only one.
        by: by what it is told: the station's counters, or its polled state.
        today: this contract day up to now.
        yesterday: the one before.
        week: the seven days before this one.
        missed: that short runs may be missed, a sentence; empty where not.

    """

    plan: SitePlan
    pump: str
    by: str
    today: RunCell
    yesterday: RunCell
    week: RunCell
    missed: str

    @property
    def called(self) -> str:
        """The site, and the pump where it has a name of its own."""
        return f"{self.plan.site.name}, {self.pump}" if self.pump else self.plan.site.name


@dataclass(frozen=True, slots=True)
class RunsTold:
    """How pumps ran; ``left_out``: counts that belong to none for sure, a sentence each."""

    rows: tuple[RunRow, ...]
    left_out: tuple[tuple[SitePlan, str], ...]

    @property
    def missed(self) -> tuple[str, ...]:
        """What the rows say may be missed, each sentence once."""
        return tuple(dict.fromkeys(row.missed for row in self.rows if row.missed))


class RunBook:
    """The pumps' days, for all tabs.

    Args:
        given: the services.

    """

    def __init__(self, given: Services) -> None:
        self._given = given
        self._lock = Lock()
        self._view: NetworkView | None = None
        self._days: dict[_PumpKey, dict[date, tuple[int, RunTime]]] = {}

    def told(self, plans: Sequence[SitePlan]) -> RunsTold:
        """Return the pumps of some sites; sites without one are left out."""
        network = self._given.network()
        rows, left_out = [], []
        with self._lock, self._given.database.reading() as conn:
            if network is not self._view:
                self._days.clear()
                self._view = network
            for plan in plans:
                at = pumps_at(plan.site)
                if at.pumps:
                    gateway = network.gateway_of(plan.site_id).gateway
                    rows += self._rows(conn, gateway, plan, at.pumps)
                left_out += [(plan, one.why) for one in at.left_out]
        return RunsTold(tuple(rows), tuple(left_out))

    def _rows(
        self, conn: Connection, gateway: Gateway, plan: SitePlan, pumps: Sequence[Pump]
    ) -> list[RunRow]:
        told = self._days_of(conn, gateway, plan, pumps)
        rows = [_row(plan, pump, days) for pump, days in zip(pumps, told, strict=True)]
        if may_be_added(pumps):
            rows.append(_all_row(plan, pumps, told))
        return rows

    def _days_of(
        self, conn: Connection, gateway: Gateway, plan: SitePlan, pumps: Sequence[Pump]
    ) -> list[list[RunTime]]:
        """Return each pump's days, seven before today and today."""
        contract, now_ms = contract_of(self._given.network()), self._given.now_ms()
        today = date_of(now_ms, contract)
        days = [today - timedelta(days=back) for back in range(_DAYS, -1, -1)]
        kept = [self._days.get((plan.site_id, pump.tags), {}) for pump in pumps]
        lacking = [
            day
            for day in days
            if day == today or not all(_is_fresh(of_pump.get(day), now_ms) for of_pump in kept)
        ]
        spans = [(begin_of(day, contract), begin_of(next_day(day), contract)) for day in lacking]
        found = run_times(conn, gateway, plan, pumps, spans, contract, now_ms)
        told = []
        for pump, old, new in zip(pumps, kept, found, strict=True):
            read = {day: (now_ms, one) for day, one in zip(lacking, new, strict=True)}
            known = {day: read[day] if day in read else old[day] for day in days}
            self._days[plan.site_id, pump.tags] = known
            told.append([one for _, one in known.values()])
        return told


def run_book(request: Request) -> RunBook:
    """Return the application's pumps' days."""
    found = request.app.state.run_book
    assert isinstance(found, RunBook)
    return found


def _is_fresh(kept: tuple[int, RunTime] | None, now_ms: int) -> bool:
    return kept is not None and now_ms - kept[0] < _KEPT_MS


def _row(plan: SitePlan, pump: Pump, days: Sequence[RunTime]) -> RunRow:
    by_polls = pump.starts is None and pump.state is not None
    missed = may_be_missed(None, plan.site.poll_every_s) if by_polls else ""
    return RunRow(plan, pump.name, _by(pump), *_cells(days, pump.counts_starts), missed)


def _all_row(plan: SitePlan, pumps: Sequence[Pump], told: Sequence[Sequence[RunTime]]) -> RunRow:
    how_many = "both" if len(pumps) == 2 else f"all {len(pumps)}"
    counts_starts = all(pump.counts_starts for pump in pumps)
    days = [_together(of_day) for of_day in zip(*told, strict=True)]
    cells = _cells(days, counts_starts)
    return RunRow(plan, f"{how_many} pumps together", "hours added up", *cells, "")


def _together(some: Sequence[RunTime]) -> RunTime:
    counted = [one.starts_known_ms for one in some if one.starts_known_ms is not None]
    return RunTime(
        sum(one.span_ms for one in some),
        sum(one.known_ms for one in some),
        sum(one.ran_ms for one in some),
        sum(one.starts for one in some),
        any(one.by_station for one in some),
        sum(counted) if len(counted) == len(some) else None,
    )


def _by(pump: Pump) -> str:
    if pump.hours is None:
        return f"polled state of {pump.state.name}" if pump.state else "count of starts alone"
    hours = f"hours by the station's {pump.hours.name}"
    if pump.starts is not None:
        return f"{hours}, starts by its {pump.starts.name}"
    return f"{hours}, starts by the polled state" if pump.state else hours


def _cells(days: Sequence[RunTime], counts_starts: bool) -> tuple[RunCell, RunCell, RunCell]:
    """Return today, yesterday and the week of days whose last is today."""
    spans = (days[-1], days[-2], _together(days[:-1]))
    today, yesterday, week = (_cell(one, counts_starts) for one in spans)
    return today, yesterday, week


def _cell(one: RunTime, counts_starts: bool) -> RunCell:
    known = "" if one.known_ms >= one.span_ms else f"{percent(one.known_share, 0)} known"
    if one.known_ms <= 0:
        return _untimed(one)
    ran = _hours(one.ran_ms)
    is_sure = one.span_ms - one.known_ms < 60_000  # ours: less than a minute changes no figure
    if not is_sure:
        most = min(one.most_ms, one.span_ms)
        ran = f"{ran} to {_hours(most)}" if not one.by_station else f"at least {ran}"
    starts = plural(one.starts, "start") if counts_starts else ""
    if starts and not is_sure:
        starts = f"at least {starts}"
    return RunCell(ran, starts, "" if is_sure else known)


def _untimed(one: RunTime) -> RunCell:
    """Return what is told where nobody knows how long it ran: its starts, if they were counted."""
    if not one.starts_known_ms:
        return RunCell("unknown", "", "nothing known")
    starts = plural(one.starts, "start")
    is_sure = one.span_ms - one.starts_known_ms < 60_000
    return RunCell("time unknown", starts if is_sure else f"at least {starts}", "")


def _hours(ms: float) -> str:
    return lasting(ms) if ms < 48 * 3_600_000 else f"{ms / 3_600_000:.1f} h"

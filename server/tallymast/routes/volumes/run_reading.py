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
from tallymast.domain.totals.run_hours import Pump, RunTime, may_be_missed, pump_of
from tallymast.routes.formats import lasting, percent, plural
from tallymast.routes.reliability_reading import contract_of
from tallymast.routes.services import NetworkView, Services
from tallymast.routes.volumes.periods import next_day
from tallymast.storage.run_times import run_times

_KEPT_MS: Final = 600_000  # ours: a late poll shows after ten minutes
_DAYS: Final = 7


@dataclass(frozen=True, slots=True)
class RunCell:
    """A span in words: the time it ran, its starts, what of it is known."""

    ran: str
    starts: str
    known: str


@dataclass(frozen=True, slots=True)
class RunRow:
    """A site's pump.

    Attributes:
        plan: whose.
        by: by what it is told: the station's counters, or its polled state.
        today: this contract day up to now.
        yesterday: the one before.
        week: the seven days before this one.
        missed: that short runs may be missed, a sentence; empty where not.

    """

    plan: SitePlan
    by: str
    today: RunCell
    yesterday: RunCell
    week: RunCell
    missed: str


class RunBook:
    """The pumps' days, for all tabs.

    Args:
        given: the services.

    """

    def __init__(self, given: Services) -> None:
        self._given = given
        self._lock = Lock()
        self._view: NetworkView | None = None
        self._days: dict[tuple[int, date], tuple[int, RunTime]] = {}

    def rows(self, plans: Sequence[SitePlan]) -> list[RunRow]:
        """Return the pumps of some sites; sites without one are left out."""
        network = self._given.network()
        with self._lock, self._given.database.reading() as conn:
            if network is not self._view:
                self._days.clear()
                self._view = network
            return [
                self._row(conn, network.gateway_of(plan.site_id).gateway, plan, pump)
                for plan in plans
                if (pump := pump_of(plan.site)).is_told
            ]

    def _row(self, conn: Connection, gateway: Gateway, plan: SitePlan, pump: Pump) -> RunRow:
        contract, now_ms = contract_of(self._given.network()), self._given.now_ms()
        today = date_of(now_ms, contract)
        days = [today - timedelta(days=back) for back in range(_DAYS, -1, -1)]
        lacking = [day for day in days if not self._is_kept(plan, day, today, now_ms)]
        spans = [(begin_of(day, contract), begin_of(next_day(day), contract)) for day in lacking]
        found = run_times(conn, gateway, plan, pump, spans, contract, now_ms)
        for day, one in zip(lacking, found, strict=True):
            self._days[plan.site_id, day] = (now_ms, one)
        told = [self._days[plan.site_id, day][1] for day in days]
        self._forget(plan, days[0])
        each = plan.site.poll_every_s
        by_polls = pump.starts is None and pump.state is not None
        return RunRow(
            plan,
            _by(pump),
            _cell(told[-1], pump),
            _cell(told[-2], pump),
            _cell(_together(told[:-1]), pump),
            may_be_missed(None, each) if by_polls else "",
        )

    def _is_kept(self, plan: SitePlan, day: date, today: date, now_ms: int) -> bool:
        kept = self._days.get((plan.site_id, day))
        return day < today and kept is not None and now_ms - kept[0] < _KEPT_MS

    def _forget(self, plan: SitePlan, first: date) -> None:
        for site_id, day in list(self._days):
            if site_id == plan.site_id and day < first:
                del self._days[site_id, day]


def run_book(request: Request) -> RunBook:
    """Return the application's pumps' days."""
    found = request.app.state.run_book
    assert isinstance(found, RunBook)
    return found


def _together(some: Sequence[RunTime]) -> RunTime:
    return RunTime(
        sum(one.span_ms for one in some),
        sum(one.known_ms for one in some),
        sum(one.ran_ms for one in some),
        sum(one.starts for one in some),
        any(one.by_station for one in some),
    )


def _by(pump: Pump) -> str:
    if pump.hours is None:
        return f"polled state of {pump.state.name}" if pump.state else "count of starts alone"
    hours = f"hours by the station's {pump.hours.name}"
    if pump.starts is not None:
        return f"{hours}, starts by its {pump.starts.name}"
    return f"{hours}, starts by the polled state" if pump.state else hours


def _cell(one: RunTime, pump: Pump) -> RunCell:
    known = "" if one.known_ms >= one.span_ms else f"{percent(one.known_share, 0)} known"
    counts_starts = pump.starts is not None or pump.state is not None
    if one.known_ms <= 0:
        return RunCell("unknown", "", "nothing known")
    ran = _hours(one.ran_ms)
    is_sure = one.span_ms - one.known_ms < 60_000  # ours: less than a minute changes no figure
    if not is_sure:
        most = min(one.most_ms, one.span_ms)
        ran = f"{ran} to {_hours(most)}" if not one.by_station else f"at least {ran}"
    starts = plural(one.starts, "start") if counts_starts else ""
    if starts and not is_sure:
        starts = f"at least {starts}"
    return RunCell(ran, starts, "" if is_sure else known)


def _hours(ms: float) -> str:
    return lasting(ms) if ms < 48 * 3_600_000 else f"{ms / 3_600_000:.1f} h"

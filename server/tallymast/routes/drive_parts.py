"""The two parts of the sheet that read weeks: the supply's nights, and contact."""

from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from markupsafe import Markup
from sqlalchemy import Connection

from tallymast.domain.health.attention import Standing
from tallymast.domain.health.comms.intervals import share_of
from tallymast.domain.health.nights import day_number, day_of
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.local_times import local_time
from tallymast.domain.model import HourCounts, PointKind, Site
from tallymast.domain.record.days import Contract
from tallymast.routes.drive_drawings import (
    HourChart,
    NightChart,
    by_local_hour,
    draw_hours,
    draw_night_chart,
)
from tallymast.routes.nights import NIGHTS_SHOWN
from tallymast.routes.outage_rows import OutageLine, outage_lines, outages_of
from tallymast.routes.site_rows import PointRow, point_rows, supply_make
from tallymast.routes.still_clock import StillClock
from tallymast.routes.supply_sentences import supply_words
from tallymast.routes.visit_sentences import returns_words, share_words
from tallymast.storage.nights import load_nights
from tallymast.storage.reliability import SiteHours, site_hours

DAY_MS: Final = 86_400_000
CONTACT_DAYS: Final = 14
OUTAGES_SHOWN: Final = 5
_NO_HOURS: Final = SiteHours(np.zeros(0, np.int64), np.zeros((0, 3), np.int64), HourCounts(), {})


@dataclass(frozen=True, slots=True)
class SupplyPart:
    """The supply: its reading now, its nights, its verdict."""

    row: PointRow | None
    chart: NightChart | None
    words: Markup
    make: str
    charged_ms: int | None
    absorbed_ms: int | None
    judged: bool


@dataclass(frozen=True, slots=True)
class ContactPart:
    """Two weeks of contact."""

    chart: HourChart | None
    first_try: str
    returns: str
    lines: tuple[OutageLine, ...]
    more: int
    down_ms: int


# --- supply ---------------------------------------------------------------------------------


def supply_part(
    connection: Connection, standing: Standing, health: SiteHealth, clock: StillClock
) -> SupplyPart:
    """Return a supply's reading, its nights, and what they say."""
    site, judged = standing.plan.site, health.supply
    today = _today(clock)
    nights = load_nights(connection, today - NIGHTS_SHOWN + 1, today)
    chart = draw_night_chart(nights.get(standing.plan.site_id, []), today, site.supply)
    rows = [
        row
        for row, point in zip(point_rows(standing), site.points, strict=True)
        if point.kind is PointKind.SUPPLY_VOLTAGE
    ]
    return SupplyPart(
        rows[0] if rows else None,
        chart,
        supply_words(site, judged, clock) if judged else Markup("Not judged yet."),
        _make(site, day_of(today)),
        judged.charged_ms if judged else None,
        judged.absorbed_ms if judged else None,
        judged is not None,
    )


def _today(clock: StillClock) -> int:
    return day_number(local_time(clock.now_ms, clock.zone).date())


def _make(site: Site, today: date) -> str:
    words = supply_make(site.supply)
    if site.supply is None or site.supply.installed is None:
        return words
    months = max((today - site.supply.installed).days, 0) / 30.44
    age = f"{months / 12:.1f} years" if months >= 18 else f"{months:.0f} months"
    return f"{words} ({age} old)"


# --- contact ----------------------------------------------------------------------------------


def contact_part(
    connection: Connection,
    standing: Standing,
    health: SiteHealth,
    clock: StillClock,
    contract: Contract,
) -> ContactPart:
    """Return a site's last two weeks of contact."""
    plan, from_ms = standing.plan, clock.now_ms - CONTACT_DAYS * DAY_MS
    known = site_hours(connection, from_ms, clock.now_ms, contract).get(plan.site_id, _NO_HOURS)
    first_try = share_of(known.cells[:, 1], known.cells[:, 0])
    returns = health.comm.returns if health.comm else None
    found = outages_of(connection, plan, health, (from_ms, clock.now_ms))
    return ContactPart(
        draw_hours(by_local_hour(known.at_ms, known.cells, clock.zone)),
        share_words(first_try) if first_try.whole else "",
        returns_words(returns) if returns else "",
        outage_lines(found[:OUTAGES_SHOWN], clock.now_ms),
        max(len(found) - OUTAGES_SHOWN, 0),
        sum(one.lasted_ms(clock.now_ms) for one in found),
    )

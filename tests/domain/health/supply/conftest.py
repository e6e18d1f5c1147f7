"""Sites and nights by hand."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from tallymast.domain.health.nights import DAY_MS, Night
from tallymast.domain.health.supply.model import SupplyHealth
from tallymast.domain.health.supply.verdict import judge_supply
from tallymast.domain.model import (
    Chemistry,
    Point,
    PointKind,
    Site,
    SiteClass,
    Supply,
    SupplyKind,
    Table,
    WordLayout,
)

ZONE = ZoneInfo("America/Denver")
FIRST = 20_700  # 2026-09-04
LATITUDE, LONGITUDE = 44.0, -106.2
AGM = Supply(SupplyKind.SOLAR, Chemistry.AGM, 12.0, 33.0, disconnect_v=11.5, reconnect_v=12.8)


def site(supply: Supply | None = AGM, loop: bool = True, **more: object) -> Site:
    """A tank with a 24 V loop: 0.045 A idle and 0.028 A for the loop, 1.8 Ah a day."""
    kind, table, layout = PointKind, Table.INPUT, WordLayout.UINT16
    volts = Point("VBAT", "Supply", kind.SUPPLY_VOLTAGE, table, 0, layout)
    level = Point("LVL", "Level", kind.ANALOG_INPUT, table, 1, layout, loop="4-20mA")
    described: dict[str, object] = {
        "key": "tank",
        "name": "Tank",
        "gateway": "mast",
        "unit": 3,
        "profile": "tank",
        "points": (volts, level) if loop else (volts,),
        "max_words": 20,
        "spare": (),
        "reply_timeout_s": 2.0,
        "retries": 2,
        "turnaround_ms": 20.0,
        "miss_limit": 3,
        "latitude": LATITUDE,
        "longitude": LONGITUDE,
        "supply": supply,
        "site_class": SiteClass.MONITORING,
    }
    return Site(**{**described, **more})  # type: ignore[arg-type]


def dawn_ms(day: int) -> int:
    """About sunrise at these longitudes: 13:00 UTC."""
    return day * DAY_MS + 13 * 3_600_000


def nights_of(
    dawns: Sequence[float | None],
    peaks: Sequence[float] | float,
    sag: float | Sequence[float] = 0.1,
    first: int = FIRST,
) -> list[Night]:
    """Nights by their pre-dawn voltages, the day's peaks before them and the sags below them."""
    nights = []
    for n, dawn in enumerate(dawns):
        peak = peaks if isinstance(peaks, float) else peaks[n]
        dip = sag if isinstance(sag, float) else sag[n]
        risen, low = dawn_ms(first + n), (peak if dawn is None else dawn) - dip
        noon = risen - 18 * 3_600_000
        count = 0 if dawn is None else 120
        nights.append(Night(first + n, dawn, round(low, 3), risen - 3_600_000, peak, noon, count))
    return nights


def judged(
    one: Site,
    nights: Sequence[Night],
    dark: Sequence[tuple[int, int | None]] = (),
    **more: object,
) -> SupplyHealth:
    """Judge an hour after the newest night's sunrise."""
    options: dict[str, object] = {
        "now_ms": dawn_ms(nights[-1].day) + 3_600_000,
        "zone": ZONE,
        "latitude": LATITUDE,
        "longitude": LONGITUDE,
        "dark": dark,
    }
    health = judge_supply(one, nights, **{**options, **more})  # type: ignore[arg-type]
    assert health is not None
    return health


def local(at_ms: int) -> datetime:
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(ZONE)

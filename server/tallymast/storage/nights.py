"""Keeps each night of each site's supply, computed from every reading of it."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, tzinfo

from sqlalchemy import Connection, select

from tallymast.domain.health.nights import DAY_MS, Night, night_of, sunrise_ms
from tallymast.storage import schema
from tallymast.storage.changes import insert_many
from tallymast.storage.engine import Database
from tallymast.storage.readings import raw_series

_table = schema.night


@dataclass(frozen=True, slots=True)
class NightSite:
    """A site whose supply is watched: its id, the point, and where the sun rises for it."""

    site_id: int
    tag: str
    latitude: float
    longitude: float


def compute_nights(
    database: Database, sites: Iterable[NightSite], days: Iterable[date], zone: tzinfo, now_ms: int
) -> int:
    """Compute nights and store them in place of what was there; return how many.

    Nights whose sun has not risen yet are left out, and nights without any reading.

    Raises:
        StorageError: the database refused; what is stored stays stored.

    """
    wanted, stored = list(days), 0
    for site in sites:
        found = [_night(database, site, day, zone, now_ms) for day in wanted]
        nights = [night for night in found if night is not None]
        if nights:
            with database.writing() as conn:
                keep_nights(conn, site.site_id, nights)
        stored += len(nights)
    return stored


def keep_nights(conn: Connection, site_id: int, nights: Iterable[Night]) -> None:
    """Store a site's nights in place of what was there."""
    insert_many(conn, _table, [_row(site_id, night) for night in nights])


def load_nights(conn: Connection, first: int, last: int) -> dict[int, list[Night]]:
    """Return every site's nights of ``first <= day <= last``, ascending, by site id."""
    found: dict[int, list[Night]] = {}
    query = (
        select(_table)
        .where(_table.c.day >= first, _table.c.day <= last)
        .order_by(_table.c.site_id, _table.c.day)
    )
    for row in conn.execute(query):
        night = Night(row.day, row.predawn_v, row.low_v, row.low_ms, row.peak_v, row.peak_ms, row.n)
        found.setdefault(row.site_id, []).append(night)
    return found


def known_days(conn: Connection, first: int) -> dict[int, set[int]]:
    """Return the days from ``first`` on for which each site has a night."""
    found: dict[int, set[int]] = {}
    query = select(_table.c.site_id, _table.c.day).where(_table.c.day >= first)
    for site_id, day in conn.execute(query):
        found.setdefault(site_id, set()).add(day)
    return found


def _night(
    database: Database, site: NightSite, day: date, zone: tzinfo, now_ms: int
) -> Night | None:
    risen_ms = sunrise_ms(day, site.latitude, site.longitude, zone)
    if risen_ms > now_ms:
        return None
    with database.reading() as conn:
        series = raw_series(conn, site.site_id, site.tag, risen_ms - DAY_MS, risen_ms)
    if not len(series):
        return None
    return night_of(day, risen_ms, series.at_ms, series.value)


def _row(site_id: int, night: Night) -> tuple[object, ...]:
    return (
        site_id,
        night.day,
        night.low_v,
        night.low_ms,
        night.predawn_v,
        night.peak_v,
        night.peak_ms,
        night.n,
    )

"""How small and how fast the record is: a year of 64 sites of 14 points polled every 10 s.

One site's year is stored by the ways history takes: chunks, hours, days, packs. The other
sites then get the same, day by day in the order of time as a poller would have brought it, so
that tables grow as they do in the field. Then polling goes on upon the full database, an hour
is closed, and what pages ask is read warm and cold.
"""

import os
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from sqlalchemy import Connection, select

from tallymast.benches import record_model as model
from tallymast.benches.record_model import DAY_MS, END_MS, EVERY_MS, POINTS, POLLS_A_DAY
from tallymast.benches.written import written_bytes
from tallymast.domain import network_file
from tallymast.domain.exports import Choice, Extract
from tallymast.domain.model import Poll, PollDone, SitePlan, SiteState, SiteStatus
from tallymast.domain.read_plan import read_plan
from tallymast.domain.record.chunks import polls_of
from tallymast.domain.record.hour_packs import pack_hours, unpack_hours
from tallymast.files import csv_file
from tallymast.storage import comms, exports, hours, network, nights, reliability, schema
from tallymast.storage.changes import insert_many
from tallymast.storage.days import close_days
from tallymast.storage.engine import Database, open_database
from tallymast.storage.history import store_day
from tallymast.storage.polls import polls_between
from tallymast.storage.readings import raw_series
from tallymast.storage.sizes import measure
from tallymast.storage.span_readings import day_series, hour_series
from tallymast.storage.writer import Writer

SIGMAS: Final = (1, 5, 20)
OTHER_DAYS: Final = 30  # for the sigmas that are not asked for
STORED: Final = 1200  # polls stored to know their cost
A_COMMIT: Final = 6
TIMES: Final = 25


def run(days: int = 365, sigma: int = 5, sites: int = 64) -> dict[str, object]:
    """Build the database and measure.

    Returns:
        ``bytes_per_sample`` of chunks at ``sigma`` and, ``by_sigma``, at 1, 5 and 20, beside
        ``least_by_sigma`` what no format can beat; ``file_bytes``, by ``tables``;
        ``year_bytes`` the file scaled to 365 days of 64 sites; ``cpu_us_per_poll``,
        ``written_bytes_per_poll``, ``commit_ms`` (p50, p99) of polls stored 6 a commit on the
        full database; ``close_ms_per_site``; ``pages_ms`` warm and cold.

    """
    others = [one for one in SIGMAS if one != sigma]
    by_sigma = {str(one): _size(min(days, OTHER_DAYS), one) for one in others}
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "tallymast.sqlite3"
        database, plans = _filled(file, days, sigma, sites)
        sizes = measure(database, END_MS)
        _tell("storing polls")
        cost = _cost(database, plans)
        close_ms = _close(database, plans)
        _tell("reading")
        database.close()
        pages = _pages(file, plans[0])
        per_sample = _chunk_bytes(file, plans[0].site_id) / (days * POLLS_A_DAY * POINTS)
        file_bytes = file.stat().st_size
    by_sigma[str(sigma)] = round(per_sample, 4)
    return {
        "bytes_per_sample": round(per_sample, 4),
        "by_sigma": dict(sorted(by_sigma.items(), key=lambda item: int(item[0]))),
        "least_by_sigma": {str(one): round(model.least_bytes_per_sample(one), 4) for one in SIGMAS},
        "file_bytes": file_bytes,
        "year_bytes": round(sizes.file * 365 * 64 / days / sites),
        "tables": dict(sizes.tables),
        **cost,
        "close_ms_per_site": close_ms,
        "pages_ms": pages,
    }


def _tell(words: str) -> None:
    print(f"\r{words:<60}", end="", file=sys.stderr, flush=True)


# --- the database -----------------------------------------------------------------------


def _size(days: int, sigma: int) -> float:
    """Return the bytes a sample takes in the chunks of one site."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "tallymast.sqlite3"
        database, plans = _opened(file, 1)
        _store(database, plans[0], days, sigma)
        database.close()
        return round(_chunk_bytes(file, plans[0].site_id) / (days * POLLS_A_DAY * POINTS), 4)


def _chunk_bytes(file: Path, site_id: int) -> int:
    query = "SELECT sum(length(body)) FROM chunk WHERE site_id = ? AND start_ms < ?"
    with closing(sqlite3.connect(file)) as connection:
        return int(connection.execute(query, (site_id, END_MS)).fetchone()[0])


def _opened(file: Path, sites: int) -> tuple[Database, list[SitePlan]]:
    database = open_database(file)
    written, whole = network_file.read(model.network(sites), "bench")
    with database.writing() as connection:
        network.store_network(
            connection,
            written,
            whole,
            actor="bench",
            source="file",
            at_ms=END_MS,
            plan_blocks=read_plan,
        )
    with database.reading() as connection:
        return database, list(network.load_plan(connection, whole).gateways[0].sites)


def _store(database: Database, plan: SitePlan, days: int, sigma: int) -> None:
    from_ms = END_MS - days * DAY_MS
    for n, columns in enumerate(model.days(plan, from_ms, END_MS, sigma), start=1):
        _tell(f"one site at sigma {sigma}: day {n} of {days}")
        store_day(database, plan.site_id, plan.layout, columns)
    hours.close_hours(database, END_MS + 3 * 3_600_000)


def _filled(file: Path, days: int, sigma: int, sites: int) -> tuple[Database, list[SitePlan]]:
    """Return a database in which every site has what one was given."""
    with tempfile.TemporaryDirectory() as folder:
        one, (plan, *_) = _opened(Path(folder) / "one.sqlite3", 1)
        _store(one, plan, days, sigma)
        database, plans = _opened(file, sites)
        close_days(database, END_MS)  # notes by which contract the days are, as a start does
        with one.reading() as source:
            for n, day_ms in enumerate(range(END_MS - days * DAY_MS, END_MS, DAY_MS), start=1):
                _tell(f"{sites} sites: day {n} of {days}")
                _copy_day(source, database, plan, plans, day_ms)
        one.close()
    return database, plans


def _copy_day(
    source: Connection, database: Database, plan: SitePlan, plans: Sequence[SitePlan], day_ms: int
) -> None:
    """Give every site one site's day, as a poller and its closing hours would have left it."""
    points = [point.point_id for point in plan.layout.points]
    hourly, daily = schema.comm_hour, schema.comm_day
    chunks = _rows(source, schema.chunk, "start_ms", day_ms)
    by_hour = _rows(source, hourly, "hour_ms", day_ms)
    by_day = _rows(source, daily, "day_ms", day_ms)
    of_points = _rows(source, schema.point_day, "day_ms", day_ms)
    (pack,) = _rows(source, schema.point_pack, "day_ms", day_ms)
    entries = unpack_hours(pack[2], day_ms)
    for hour in by_hour:
        with database.writing() as target:
            insert_many(target, hourly, [(one.site_id, *hour[1:]) for one in plans])
    with database.writing() as target:
        for one in plans:
            ids = dict(zip(points, (point.point_id for point in one.layout.points), strict=True))
            site = one.site_id
            mine = [(site, *row[1:3], one.layout.id, *row[4:]) for row in chunks]
            insert_many(target, schema.chunk, mine)
            insert_many(target, daily, [(site, *row[1:]) for row in by_day])
            rows = [(ids[row[0]], row[1], one.layout.id, *row[3:]) for row in of_points]
            insert_many(target, schema.point_day, rows)
            body = [
                replace(entry, point_id=ids[entry.point_id], layout_id=one.layout.id)
                for entry in entries
            ]
            insert_many(target, schema.point_pack, [(site, day_ms, pack_hours(body, day_ms))])


def _rows(source: Connection, table: Any, column: str, day_ms: int) -> list[tuple[Any, ...]]:
    at_ms = table.c[column]
    query = select(table).where(at_ms >= day_ms, at_ms < day_ms + DAY_MS)
    return [tuple(row) for row in source.execute(query)]


# --- storing ------------------------------------------------------------------------------


@dataclass
class _Polls:
    """Polls of every site after the year, a round of all sites every 10 s."""

    plans: Sequence[SitePlan]

    def __iter__(self) -> Iterator[PollDone]:
        days = [next(model.days(plan, END_MS, END_MS + DAY_MS, 5)) for plan in self.plans[:8]]
        polls = [polls_of(one.take(slice(0, 360)), 0, 0) for one in days]
        for n in range(360):
            for k, plan in enumerate(self.plans):
                yield _done(plan, polls[k % len(polls)][n], n, k)


def _done(plan: SitePlan, poll: Poll, n: int, k: int) -> PollDone:
    at_ms = END_MS + n * EVERY_MS + k * 150
    mine = replace(poll, site_id=plan.site_id, layout_id=plan.layout.id, at_ms=at_ms)
    state = SiteState(plan.site_id, SiteStatus.IN_SERVICE, END_MS, plan.layout.id, at_ms)
    return PollDone(mine, state)


def _cost(database: Database, plans: Sequence[SitePlan]) -> dict[str, object]:
    """Store polls, 6 a commit; return CPU and bytes written a poll, and how long a commit takes."""
    first, *done = [one for one, _ in zip(_Polls(plans), range(STORED + 1), strict=False)]
    writer = Writer(database, now_ms=lambda: END_MS)  # the polls are of now, not late
    writer.start()
    writer.put(first)  # what the first commit alone pays for is not a poll's cost
    writer.flush()
    taken = []
    written, cpu = written_bytes(), time.process_time()
    for n in range(0, STORED, A_COMMIT):
        for one in done[n : n + A_COMMIT]:
            writer.put(one)
        began = time.perf_counter()
        writer.flush()
        taken.append(1000 * (time.perf_counter() - began))
    cpu, written = time.process_time() - cpu, written_bytes() - written
    writer.stop()
    p50, p99 = np.percentile(taken, (50, 99))
    return {
        "cpu_us_per_poll": round(cpu / STORED * 1e6, 1),
        "written_bytes_per_poll": round(written / STORED),
        "commit_ms": {"p50": round(float(p50), 2), "p99": round(float(p99), 2)},
    }


def _close(database: Database, plans: Sequence[SitePlan]) -> float:
    """Return how long closing an hour takes a site [ms], its polls stored before."""
    writer = Writer(database, now_ms=lambda: END_MS)
    writer.start()
    for one in _Polls(plans):
        writer.put(one)
    writer.flush(120)
    writer.stop()
    began = time.perf_counter()
    hours.close_hours(database, END_MS + 3_600_000 + 180_000)
    return round(1000 * (time.perf_counter() - began) / len(plans), 2)


# --- reading ------------------------------------------------------------------------------


def _pages(file: Path, plan: SitePlan) -> dict[str, dict[str, float]]:
    found = {}
    for name, read in _reads(plan).items():
        database = open_database(file)  # its caches are empty
        _forget(file)
        cold = _taken(database, read)
        warm = [_taken(database, read) for _ in range(TIMES)]
        database.close()
        found[name] = {"cold": round(cold, 2), "warm": round(statistics.median(warm), 2)}
    return found


def _reads(plan: SitePlan) -> dict[str, Callable[[Database], object]]:
    site, tag, end = plan.site_id, "P8", END_MS

    def asked(read: Callable[[Connection], object]) -> Callable[[Database], object]:
        def inside(database: Database) -> object:
            with database.reading() as connection:
                return read(connection)

        return inside

    quarter = (end - 90 * DAY_MS, end)
    return {
        "round": asked(_round),
        "raw_24h": asked(lambda c: raw_series(c, site, tag, end - DAY_MS, end)),
        "hours_30d": asked(lambda c: hour_series(c, site, tag, end - 30 * DAY_MS, end)),
        "days_1y": asked(lambda c: day_series(c, site, tag, end - 365 * DAY_MS, end)),
        "reliability_90d": asked(lambda c: reliability.contact(c, *quarter)),
        "hour_of_day_90d": asked(lambda c: reliability.by_hour(c, site, *quarter)),
        "polls_100": asked(lambda c: polls_between(c, site, 0, end, 100, newest_first=True)),
        "csv_30d_first": lambda database: next(iter(_export(database, plan))),
        "csv_30d": lambda database: sum(1 for _ in _export(database, plan)),
    }


def _round(conn: Connection) -> object:
    """Read what the Morning round shows of every site besides its newest state."""
    begin = END_MS - DAY_MS
    today = END_MS // DAY_MS
    return (
        comms.contact(conn, begin, END_MS),
        nights.load_nights(conn, today - 30, today),
    )


def _taken(database: Database, read: Callable[[Database], object]) -> float:
    began = time.perf_counter()
    read(database)
    return 1000 * (time.perf_counter() - began)


def _forget(file: Path) -> None:
    """Ask the system to drop the file from its cache, as far as it lets one."""
    with file.open("rb") as handle:
        os.posix_fadvise(handle.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def _export(database: Database, plan: SitePlan) -> Iterator[bytes]:
    """Yield 30 days of every poll of a point as CSV, as it is streamed."""
    point = next(one for one in plan.site.points if one.tag == "P8")
    choice = Choice(plan.site_id, plan.site.key, plan.site.name, point, plan.site.poll_every_s)
    begin = END_MS - 30 * DAY_MS
    extract = Extract("Bench", "UTC", 0, "UTC", "raw", begin, END_MS, (choice,), "bench", END_MS)
    yield from csv_file.chunks(extract, exports.batches(database, extract))

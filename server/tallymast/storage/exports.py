"""Reads what is exported in batches: a day of polls, a month of hours or a year of days a time.

Each batch is of one point and has a read transaction of its own, so that an export of years
neither fills the memory nor keeps the database from tidying up behind it.
"""

import math
from collections.abc import Iterator, Sequence
from datetime import tzinfo
from typing import Final

from sqlalchemy import Connection, update

from tallymast.domain.exports import DAY_MS, Batch, Cell, Choice, Extract
from tallymast.domain.local_times import local_texts
from tallymast.domain.model import JobState
from tallymast.domain.record.spans import SpanSeries
from tallymast.domain.zones import find_zone
from tallymast.storage import schema
from tallymast.storage.clock_steps import suspect_spans
from tallymast.storage.engine import Database
from tallymast.storage.readings import Floats, Series, raw_series
from tallymast.storage.span_readings import day_series, hour_series

_STEP_MS: Final = {"raw": DAY_MS, "hour": 31 * DAY_MS, "day": 366 * DAY_MS}
_QUALITY: Final = ("none", "suspect", "good")  # by the numbers of Goodness


def batch_count(extract: Extract) -> int:
    """Return how many batches an export has, empty ones too."""
    step_ms = _STEP_MS[extract.resolution]
    steps = -(-extract.to_ms // step_ms) - extract.from_ms // step_ms
    return steps * len(extract.points)


def batches(database: Database, extract: Extract) -> Iterator[Batch]:
    """Return an export's rows by site, point and time, as many batches as ``batch_count`` says.

    Raises:
        StorageError: the database refused.

    """
    zone = find_zone(extract.time_zone)
    for choice in extract.points:
        for from_ms, to_ms in _steps(extract):
            # Read whole before it is handed out: a slow taker must not hold a transaction open.
            yield _read(database, extract, choice, zone, from_ms, to_ms)


def begin(connection: Connection, job_id: int) -> bool:
    """Take a waiting job, so that nobody else does; return whether it still waited."""
    table = schema.job
    waiting = table.c.id == job_id, table.c.state == JobState.WAITING.value
    taken = update(table).where(*waiting).values(state=JobState.RUNNING.value)
    return connection.execute(taken).rowcount == 1


def _steps(extract: Extract) -> Iterator[tuple[int, int]]:
    """Return the period in pieces that begin where days of the record begin (UTC)."""
    step_ms, from_ms = _STEP_MS[extract.resolution], extract.from_ms
    while from_ms < extract.to_ms:
        to_ms = min((from_ms // step_ms + 1) * step_ms, extract.to_ms)
        yield from_ms, to_ms
        from_ms = to_ms


def _read(
    database: Database, extract: Extract, choice: Choice, zone: tzinfo, from_ms: int, to_ms: int
) -> Batch:
    with database.reading() as connection:
        where = (connection, choice.site_id, choice.point.tag, from_ms, to_ms)
        if extract.resolution == "raw":
            return _polls(choice, raw_series(*where), zone)
        if extract.resolution == "hour":
            series = hour_series(*where)
        else:
            contract = {"zone": extract.contract_zone, "contract_hour": extract.contract_hour}
            series = day_series(*where, **contract)  # type: ignore[arg-type]
        twice = suspect_spans(connection, choice.site_id, from_ms, to_ms)
        return _spans(choice, series, zone, _qualities(series, to_ms, twice))


def _qualities(series: SpanSeries, to_ms: int, twice: Sequence[tuple[int, int]]) -> list[str]:
    """Return each span's quality: what lies in a time that was passed twice is suspect."""
    begins = series.at_ms.tolist()
    ends = [*begins[1:], to_ms]
    return [
        "none"
        if not n
        else "suspect"
        if any(first < end and last >= begin for first, last in twice)
        else "good"
        for begin, end, n in zip(begins, ends, series.n.tolist(), strict=True)
    ]


def _head(choice: Choice, series: Series | SpanSeries, zone: tzinfo) -> list[Sequence[Cell]]:
    named = (choice.site, choice.point.tag, choice.point.name)
    times: list[Sequence[Cell]] = [local_texts(series.at_ms, zone), series.at_ms.tolist()]
    return times + [[word] * len(series) for word in named]


def _polls(choice: Choice, series: Series, zone: tzinfo) -> Batch:
    quality = [_QUALITY[number] for number in series.quality.tolist()]
    raw = [
        None if word == "none" else _cell(one)
        for one, word in zip(series.raw.tolist(), quality, strict=True)
    ]
    value = [  # a text has no number: what was read is its value
        one if isinstance(one, str) else _number(number)
        for one, number in zip(raw, series.value.tolist(), strict=True)
    ]
    unit = [series.unit or choice.point.unit] * len(series)
    return Batch((*_head(choice, series, zone), value, unit, quality, raw))


def _spans(choice: Choice, series: SpanSeries, zone: tzinfo, quality: list[str]) -> Batch:
    n: list[int] = series.n.tolist()
    numbers = (series.least, series.mean, series.most, series.first, series.last)
    changes = [
        count if some else None for count, some in zip(series.changes.tolist(), n, strict=True)
    ]
    on_s = [
        on_ms / 1000 if some and choice.is_contact else None
        for on_ms, some in zip(series.on_ms.tolist(), n, strict=True)
    ]
    unit = [series.unit or choice.point.unit] * len(series)
    head = _head(choice, series, zone)
    return Batch((*head, n, *(_numbers(one) for one in numbers), changes, on_s, unit, quality))


def _numbers(values: Floats) -> list[float | None]:
    return [_number(one) for one in values.tolist()]


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _cell(raw: bool | int | float | str) -> Cell:
    if isinstance(raw, bool):
        return int(raw)
    return _number(raw) if isinstance(raw, float) else raw

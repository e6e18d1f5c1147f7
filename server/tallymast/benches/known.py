"""Polls whose every number is known, and what hours and days of them have to say.

The expected figures are added up here from the numbers themselves, by plain numpy and the
standard library's time zones: nothing of the record's own arithmetic is asked.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from random import Random
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, select

from tallymast.domain.model import Block, Outcome, Poll, PollFlag, SitePlan, Table
from tallymast.domain.record.spans import SpanSeries
from tallymast.storage import schema
from tallymast.storage.polls import polls_between
from tallymast.storage.span_readings import day_series, hour_series

HOUR_MS: Final = 3_600_000
DAY_MS: Final = 24 * HOUR_MS
BEGIN_MS: Final = 1_772_841_600_000  # 2026-03-07 00:00 UTC; Denver's clocks leap on the 8th
DAYS: Final = 3
EVERY_MS: Final = 150_000  # ours: 24 polls an hour are enough for every outcome
ZONE: Final = "America/Denver"
CONTRACT_HOUR: Final = 7

_SITES: Final = 3
NETWORK: Final = f"""\
title = "Known polls"
time_zone = "{ZONE}"
contract_zone = "{ZONE}"
contract_hour = {CONTRACT_HOUR}

[[gateway]]
key = "mast"
transport = "rtu-over-tcp"
address = "127.0.0.1:5020"

[[profile]]
key = "well"

  [[profile.point]]
  tag = "LVL"
  kind = "analog-input"
  table = "input"
  register = 0
  layout = "uint16"
  raw = [4000, 20000]
  value = [0.0, 5.0]
  unit = "m"

  [[profile.point]]
  tag = "TOT"
  kind = "totalizer"
  table = "input"
  register = 1
  layout = "uint32"
  modulus = 1000000

  [[profile.point]]
  tag = "RUN"
  kind = "discrete-input"
  table = "discrete"
  register = 0
""" + "".join(
    f'\n[[site]]\nkey = "well-{n}"\ngateway = "mast"\nunit = {n}\nprofile = "well"\n'
    for n in range(1, _SITES + 1)
)

_OUTCOMES: Final = (Outcome.FIRST_TRY,) * 9 + tuple(Outcome)
_COUNTED: Final = ("first_try", "retried", "no_answer", "garbled", "gateway_lost")


@dataclass(frozen=True, slots=True)
class Known:
    """One site's polls, ascending, and the number each point had at each, NaN where missed."""

    site: SitePlan
    polls: Sequence[Poll]
    at_ms: NDArray[np.int64]
    values: dict[str, NDArray[np.float64]]


def known(site: SitePlan, seed: int = 1) -> Known:
    """Return a site's polls of ``DAYS`` days from ``BEGIN_MS`` on."""
    chance = Random(seed * 1000 + site.site_id)
    polls: list[Poll] = []
    values: dict[str, list[float]] = {"LVL": [], "TOT": [], "RUN": []}
    total = 0
    for at_ms in range(BEGIN_MS, BEGIN_MS + DAYS * DAY_MS, EVERY_MS):
        level, running = chance.randrange(4000, 20_001), chance.random() < 0.3
        total = (total + chance.randrange(200)) % 1_000_000
        poll = _missed(site, at_ms + chance.randrange(EVERY_MS), chance)
        words = tuple(_words(block, level, total, running) for block in site.layout.blocks)
        answered = poll.outcome.is_answered
        if answered:
            poll = replace(poll, answer_ms=81.5, got=2 ** len(words) - 1, words=b"".join(words))
        polls.append(poll)
        found = ((level - 4000) / 16_000 * 5, total, running)
        for tag, number in zip(values, found, strict=True):
            values[tag].append(float(number) if answered else np.nan)
    times = np.array([poll.at_ms for poll in polls], np.int64)
    return Known(site, polls, times, {tag: np.array(some) for tag, some in values.items()})


def is_told(conn: Connection, truth: Known) -> bool:
    """Whether the database says of a site's polls, hours and days what is known of them."""
    span = (BEGIN_MS - DAY_MS, BEGIN_MS + (DAYS + 1) * DAY_MS)
    site_id = truth.site.site_id
    found = polls_between(conn, site_id, *span, len(truth.polls) + 1).items
    if found != list(truth.polls) or not _hours_are_counted(conn, truth):
        return False
    return all(
        _equal(hour_series(conn, site_id, tag, *span), truth, tag)
        and _equal(
            day_series(conn, site_id, tag, *span, zone=ZONE, contract_hour=CONTRACT_HOUR),
            truth,
            tag,
        )
        for tag in truth.values
    )


# --- making polls ---------------------------------------------------------------------


def _missed(site: SitePlan, at_ms: int, chance: Random) -> Poll:
    outcome = chance.choice(_OUTCOMES)
    tries = 1 if outcome is Outcome.FIRST_TRY else 3
    return Poll(site.site_id, at_ms, outcome, PollFlag.NONE, tries, None, site.layout.id, 0, 0, b"")


def _words(block: Block, level: int, total: int, running: bool) -> bytes:
    if block.table is Table.DISCRETE:
        return int(running).to_bytes(2, "big")
    image = level.to_bytes(2, "big") + total.to_bytes(4, "big")
    return image[2 * block.start : 2 * (block.start + block.count)]


# --- comparing ------------------------------------------------------------------------


def _hours_are_counted(conn: Connection, truth: Known) -> bool:
    table = schema.comm_hour
    columns = [table.c[name] for name in ("hour_ms", *_COUNTED)]
    query = select(*columns).where(table.c.site_id == truth.site.site_id)
    return sorted(tuple(row) for row in conn.execute(query)) == list(_hour_counts(truth))


def _hour_counts(truth: Known) -> Iterator[tuple[int, ...]]:
    outcome = np.array([poll.outcome for poll in truth.polls])
    hour = truth.at_ms // HOUR_MS * HOUR_MS
    for hour_ms in np.unique(hour).tolist():
        inside = outcome[hour == hour_ms]
        counts = (int((inside == Outcome[name.upper()]).sum()) for name in _COUNTED)
        yield (hour_ms, *counts)


def _equal(series: SpanSeries, truth: Known, tag: str) -> bool:
    """Whether each row of a series is what its span's own numbers add up to."""
    ends = [*series.at_ms[1:].tolist(), int(series.at_ms[-1]) + DAY_MS]
    if int(series.n.sum()) != int((~np.isnan(truth.values[tag])).sum()):
        return False  # a span that should be there is not
    return _starts_are_right(series) and all(
        _row_equals(series, row, truth, tag, int(start), end)
        for row, (start, end) in enumerate(zip(series.at_ms, ends, strict=True))
    )


def _starts_are_right(series: SpanSeries) -> bool:
    """Whether spans begin at full hours, or each day at the contract hour of the zone's clock."""
    if (np.diff(series.at_ms) == HOUR_MS).all():
        return bool((series.at_ms % HOUR_MS == 0).all())
    there = [
        datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(ZoneInfo(ZONE))
        for at_ms in series.at_ms.tolist()
    ]
    days = [start.date() for start in there]
    return all(start.hour == CONTRACT_HOUR and start.minute == 0 for start in there) and all(
        later - day == timedelta(days=1) for day, later in pairwise(days)
    )


def _row_equals(
    series: SpanSeries, row: int, truth: Known, tag: str, start_ms: int, end_ms: int
) -> bool:
    inside = (truth.at_ms >= start_ms) & (truth.at_ms < end_ms)
    numbers = truth.values[tag][inside]
    numbers = numbers[~np.isnan(numbers)]
    if series.n[row] != len(numbers):
        return False
    if not len(numbers):
        return True
    told = [series.least, series.mean, series.most, series.first, series.last]
    expected = [numbers.min(), numbers.mean(), numbers.max(), numbers[0], numbers[-1]]
    # Sums of a day's numbers in another order differ in the last digits of a double.
    return bool(np.allclose([one[row] for one in told], expected, rtol=1e-12, atol=1e-9))

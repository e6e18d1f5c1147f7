"""Contact of any span, hour by hour: what kept days, closed hours and open polls say together."""

import numpy as np
import pytest
from tests.routes.conftest import NOW_MS, World, words, world

from tallymast.domain.model import Outcome
from tallymast.domain.record.days import Contract
from tallymast.storage import comms
from tallymast.storage.days import close_days
from tallymast.storage.hours import close_hours
from tallymast.storage.outages import miss_runs, outages_in
from tallymast.storage.reliability import site_hours

__all__ = ["world"]
HOUR, DAY = 3_600_000, 86_400_000
FIVE_MIN, QUARTER = 300_000, 900_000
CONTRACT = Contract("UTC", 7)


def polls(world: World, days: int) -> list[tuple[int, Outcome]]:
    """Poll a site every five minutes with a fixed pattern of fates; return them."""
    fates = (Outcome.FIRST_TRY,) * 7 + (Outcome.RETRIED, Outcome.NO_ANSWER, Outcome.GATEWAY_LOST)
    made = [
        (at_ms, fates[n * n % len(fates)])
        for n, at_ms in enumerate(range(NOW_MS - days * DAY, NOW_MS, FIVE_MIN))
    ]
    world.polls("quill-tank", [(at, fate, words(12_000, 1287, 0)) for at, fate in made])
    return made


@pytest.mark.parametrize("closed_to", [0, NOW_MS - 30 * HOUR, NOW_MS + 10 * HOUR])
def test_each_poll_is_in_its_hour_once_whatever_is_closed(world: World, closed_to: int) -> None:
    made = polls(world, 3)
    if closed_to:
        close_hours(world.database, closed_to)
        close_days(world.database, closed_to)
    span = (NOW_MS - 60 * HOUR, NOW_MS - 2 * HOUR)  # from 22:00 to 08:00: days begin at 07:00
    with world.database.reading() as conn:
        (site,) = site_hours(conn, *span, CONTRACT).values()
    inside = [(at, fate) for at, fate in made if span[0] <= at < span[1]]
    asked = [(at, fate) for at, fate in inside if fate is not Outcome.GATEWAY_LOST]
    assert site.counts.asked == len(asked)
    assert site.counts.gateway_lost == len(inside) - len(asked)
    assert site.at_ms.tolist() == sorted({at - at % HOUR for at, _ in asked})
    for at_ms, cell in zip(site.at_ms.tolist(), site.cells.tolist(), strict=True):
        fates = [fate for at, fate in asked if at - at % HOUR == at_ms]
        first, missed = (fates.count(one) for one in (Outcome.FIRST_TRY, Outcome.NO_ANSWER))
        assert cell == [len(fates), first, missed]


def test_quiet_days_read_as_one_tell_the_same_as_day_by_day(world: World) -> None:
    start = NOW_MS - NOW_MS % DAY + 7 * HOUR - 7 * DAY
    missed = {start + 30 * HOUR + n * QUARTER for n in range(6)}  # an outage on the second day
    missed |= {start + 100 * HOUR + n * QUARTER for n in range(2)}  # too short for one
    missed |= {start + 72 * HOUR - QUARTER, start + 72 * HOUR, start + 72 * HOUR + QUARTER}
    fates = [
        (at, Outcome.NO_ANSWER if at in missed else Outcome.FIRST_TRY, words(12_000, 1287, 0))
        for at in range(start, start + 6 * DAY, QUARTER)
    ]
    world.polls("quill-tank", fates)
    close_hours(world.database, NOW_MS + 10 * HOUR)
    close_days(world.database, NOW_MS + 10 * HOUR)
    with world.database.reading() as conn:
        found = [miss_runs(conn, start, start + 6 * DAY, least=least) for least in (1, 3)]
    for runs in found:
        (own,) = runs.values()
        assert (own.n, own.first_ms) == (3, start)
        (outages,) = outages_in(runs, {}).values()
        assert [(one.from_ms - start, one.missed) for one in outages] == [
            (30 * HOUR, 6),
            (72 * HOUR - QUARTER, 3),
        ]


def test_hours_of_a_span_agree_with_its_counts(world: World) -> None:
    polls(world, 1)
    close_hours(world.database, NOW_MS - 4 * HOUR)
    span = (NOW_MS - 20 * HOUR, NOW_MS - HOUR)
    with world.database.reading() as conn:
        hours = comms.hours(conn, *span)
        (counted,) = comms.counts(conn, *span).values()
    assert int(hours.counts[:, : len(comms.COUNTS)].sum(axis=0)[0]) == counted.first_try
    assert np.all(np.diff(hours.at_ms) >= HOUR)

"""Every site's last weeks, judged from the record as it was known at an instant."""

import pytest
from sqlalchemy import update
from tests.routes.conftest import NOW_MS, World, words, world

from tallymast.domain.health.comms.model import Cause
from tallymast.domain.health.supply.model import Verdict
from tallymast.domain.model import Outcome
from tallymast.judging import judge
from tallymast.storage import episodes, schema
from tallymast.storage.hours import close_hours

__all__ = ["world"]

MINUTE = 60_000
HOUR = 60 * MINUTE
BODY = words(12_000, 1280, 0)


def polled(world: World, key: str, begin_ms: int, silent: range, minutes: int = 600) -> None:
    """A poll a minute, silent in a range of minutes."""
    world.polls(
        key,
        [
            (begin_ms + n * MINUTE, Outcome.NO_ANSWER, b"")
            if n in silent
            else (begin_ms + n * MINUTE, Outcome.FIRST_TRY, BODY)
            for n in range(minutes)
        ],
    )


@pytest.fixture
def morning(world: World) -> World:
    """Ten hours of two sites; Quill Tank silent from the fifth to the sixth hour."""
    begin_ms = NOW_MS - 10 * HOUR
    polled(world, "quill-tank", begin_ms, range(300, 360))
    polled(world, "osier-pond", begin_ms, range(0))
    close_hours(world.database, NOW_MS)
    return world


def test_an_outage_is_told_with_its_ends(morning: World) -> None:
    judged = judge(morning.database, morning.view, NOW_MS)
    comm = judged.sites[morning.plan("quill-tank").site_id].comm
    assert comm is not None
    (one,) = comm.outages
    begin_ms = NOW_MS - 10 * HOUR
    assert (one.from_ms, one.to_ms) == (begin_ms + 300 * MINUTE, begin_ms + 360 * MINUTE)
    assert (one.missed, one.last_answer_ms) == (60, begin_ms + 299 * MINUTE)
    assert one.cause is Cause.ALONE
    calm = judged.sites[morning.plan("osier-pond").site_id].comm
    assert calm is not None
    assert calm.outages == ()


def test_what_came_later_is_not_known_at_an_instant_of_the_past(morning: World) -> None:
    then_ms = NOW_MS - 10 * HOUR + 330 * MINUTE
    comm = judge(morning.database, morning.view, then_ms).sites[1].comm
    assert comm is not None
    (one,) = comm.outages
    assert one.to_ms is None  # it lasted then
    before = judge(morning.database, morning.view, then_ms - HOUR).sites[1].comm
    assert before is not None
    assert before.outages == ()


def test_few_days_are_told_as_few(morning: World) -> None:
    supply = judge(morning.database, morning.view, NOW_MS).sites[1].supply
    assert supply is not None
    assert supply.verdict in (Verdict.FEW_NIGHTS, Verdict.UNKNOWN)
    assert supply.forecast is None


def test_a_record_that_cannot_be_read_takes_no_other_site_along(morning: World) -> None:
    gateway_id = morning.view.gateways[0].gateway_id
    with morning.database.writing() as conn:
        table = schema.chunk
        conn.execute(update(table).where(table.c.site_id == 1).values(body=b"\x00 no chunk"))
        episodes.open_episode(
            conn,
            "gateway",
            from_ms=NOW_MS - 3 * HOUR,
            to_ms=NOW_MS - 2 * HOUR,
            gateway_id=gateway_id,
            reason="away",
        )
    judged = judge(morning.database, morning.view, NOW_MS)
    assert morning.plan("osier-pond").site_id in judged.sites
    assert [loss.sites for loss in judged.losses] == [2]  # Teal Pond is not polled


def test_it_ends_when_it_is_told_to(morning: World) -> None:
    assert judge(morning.database, morning.view, NOW_MS, stop=lambda: True).sites == {}

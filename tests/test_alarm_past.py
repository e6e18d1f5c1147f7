"""A restart of twenty seconds blinds no rate of change and forgets no count."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from tests.routes.conftest import NETWORK, NOW_MS, World, begin

from tallymast.alarms.book import AlarmBook
from tallymast.alarms.keeper import AlarmKeeper, Eyes
from tallymast.alarms.past import Past
from tallymast.domain.alarms.counting import Counted
from tallymast.domain.alarms.model import AlarmState, Condition, Standing
from tallymast.domain.alarms.setting_up import alarms_of
from tallymast.domain.errors import StorageError
from tallymast.domain.model import Outcome

MINUTE = 60_000
RATE, TOTAL = "quill-tank/LVL/falls", "quill-tank/TOT/totalizer"
WITH_BOTH = NETWORK.replace(
    "limits = { low = 1.0, high = 4.5 }",
    "rate_limit = { fall = 1.5, over_s = 600 }",
).replace(
    '''
[[site]]
key = "quill-tank"''',
    '''
  [[profile.point]]
  tag = "TOT"
  name = "Inflow"
  kind = "totalizer"
  table = "input"
  register = 3
  layout = "uint16"
  modulus = 65536

[[site]]
key = "quill-tank"''',
)


def body(level: float, total: int) -> bytes:
    words = (round(4000 + 3200 * level), 1280, 0, total)
    return b"".join(one.to_bytes(2, "big") for one in words)


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = begin(tmp_path, WITH_BOTH)
    yield made
    made.database.close()


def polled(world: World, minutes: range, ends_ms: int, back_at: int | None = None) -> None:
    """Let a level fall 0.05 m a minute, 3 m/h, and a total climb, that may go back once."""
    rows = []
    for n in minutes:
        back = back_at is not None and n >= back_at
        words = body(4.0 - 0.05 * n, 1000 + 60 * n + (0 if back else 10_000))
        rows.append((ends_ms + (n - minutes[-1]) * MINUTE, Outcome.FIRST_TRY, words))
    world.polls("quill-tank", rows)


def keeper(world: World) -> AlarmKeeper:
    """Return a keeper that was just started."""
    eyes = Eyes(
        world.live,
        network=lambda: world.view,
        now_ms=lambda: world.now_ms,
        health=dict,
        storage=lambda: world.storage,
        poller=lambda: world.poller,
        past=Past(world.database, lambda: world.view, lambda: world.now_ms),
    )
    return AlarmKeeper(eyes, AlarmBook(world.database, lambda: world.view, alarms_of))


def first_look(world: World, key: str) -> Standing:
    made = keeper(world)
    made.look()
    return made.now().standings.get(key, Standing())


def test_a_fall_is_known_at_the_first_look_after_a_short_stop(world: World) -> None:
    polled(world, range(12), NOW_MS - 20_000)
    found = first_look(world, RATE)
    assert found.condition is Condition.ABNORMAL
    made = keeper(world)
    made.look()
    world.now_ms = NOW_MS + 40_000
    polled(world, range(12, 13), world.now_ms)
    made.look()
    assert made.now().standings[RATE].state is AlarmState.UNACKNOWLEDGED
    assert made.now().standings[RATE].value == "falls 3 m/h"


def test_after_a_long_stop_stale_readings_begin_nothing(world: World) -> None:
    polled(world, range(12), NOW_MS - 4 * MINUTE)  # polled each minute: stale after three
    assert first_look(world, RATE).condition is Condition.UNKNOWN
    polled(world, range(15, 16), NOW_MS)  # nor do they once it is polled again
    assert first_look(world, RATE).condition is Condition.UNKNOWN


def count_of(world: World) -> Counted | None:
    plan = world.plan("quill-tank")
    point = plan.site.point("TOT")
    assert point is not None
    return Past(world.database, lambda: world.view, lambda: world.now_ms).count(plan, point)


def test_a_count_that_went_back_before_the_stop_is_still_abnormal(world: World) -> None:
    polled(world, range(12), NOW_MS - 20_000, back_at=6)
    made = keeper(world)
    made.look()
    found = made.now().standings[TOTAL]
    assert found.condition is Condition.ABNORMAL
    known = count_of(world)
    assert known is not None
    assert known.back is not None
    assert (known.back[0].raw, known.back[1].raw) == (11_300, 1_360)
    world.now_ms += 4 * MINUTE
    assert count_of(world) is None


def test_words_of_an_older_layout_begin_nothing(world: World) -> None:
    polled(world, range(12), NOW_MS - 20_000)
    plan = world.plan("quill-tank")
    point = plan.site.point("LVL")
    assert point is not None
    past = Past(world.database, lambda: world.view, lambda: world.now_ms)
    assert len(past.trace(plan, point, 600).readings) == 10  # of 12; the first two are older
    changed = replace(plan, layout=replace(plan.layout, id=plan.layout.id + 1))
    assert past.trace(changed, point, 600).readings == ()


def test_where_the_database_refuses_a_look_goes_on_without_a_past(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    polled(world, range(12), NOW_MS - 20_000)
    plan = world.plan("quill-tank")
    point, total = plan.site.point("LVL"), plan.site.point("TOT")
    assert point is not None
    assert total is not None

    def refuses() -> None:
        raise StorageError("The disk is full.")

    monkeypatch.setattr(world.database, "reading", refuses)
    past = Past(world.database, lambda: world.view, lambda: world.now_ms)
    assert past.trace(plan, point, 600).readings == ()
    assert past.count(plan, total) is None

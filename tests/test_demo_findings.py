"""The demo's findings of its last days: told from looks, and written beside what stands."""

from pathlib import Path

from tests.blank import blank
from tests.domain.health.diagnosis.told import DAY, HOUR, T0, antenna
from tests.storage.test_findings import Mast, begin

from tallymast.demo.findings import EVERY_MS, Past
from tallymast.domain.health.diagnosis.lasting import places
from tallymast.storage import findings

FELL, LOOP = antenna(1), antenna(2, cause="loop")


def test_what_was_named_lately_stands_and_what_was_not_is_over() -> None:
    past = Past()
    past.look(places([LOOP]), T0)
    past.look(places([LOOP, FELL]), T0 + EVERY_MS)
    past.look(places([FELL]), T0 + 2 * EVERY_MS)
    loop, fell = past.told()
    assert (loop.key[2], loop.named_ms, loop.last_ms, loop.is_over) == (
        "loop",
        T0,
        T0 + EVERY_MS,
        True,
    )
    assert (fell.named_ms, fell.is_over) == (T0 + EVERY_MS, False)


def test_what_comes_back_within_a_day_is_one_finding_and_after_it_two() -> None:
    past = Past()
    for at_ms in (T0, T0 + 12 * HOUR, T0 + 12 * HOUR + DAY):
        past.look(places([FELL]), at_ms)
    past.look({}, T0 + 12 * HOUR + 2 * DAY)
    assert [one.named_ms for one in past.told()] == [T0]
    past.look({}, T0 + 4 * DAY)
    past.look(places([FELL]), T0 + 5 * DAY)
    assert [one.is_over for one in past.told()] == [True, False]


def test_the_past_is_written_beside_what_stands_already(tmp_path: Path) -> None:
    mast = Mast(begin(blank(tmp_path / "t.sqlite3")))
    mast.look(T0 + DAY, FELL)  # the running program names it since a day later
    past = Past()
    past.look(places([FELL, LOOP]), T0)
    past.look(places([FELL]), T0 + EVERY_MS)
    with mast.database.writing() as conn:
        findings.remember(conn, past.told(), T0 + DAY)
    fell, loop = sorted(mast.kept(), key=lambda one: one.told.cause)
    assert (fell.named_ms, fell.until_ms) == (T0, None)
    assert (loop.named_ms, loop.until_ms) == (T0, T0)
    assert not mast.look(T0 + DAY + HOUR // 2, FELL)  # and it goes on as if it had always been

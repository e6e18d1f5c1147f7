"""The hardware register, tasks, hand readings and count events, as they are kept."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import text
from tests.routes.conftest import NOW_MS, World, begin

from tallymast.domain.errors import StorageError
from tallymast.storage import count_events, hand_readings, hardware, proofs, returns, tasks
from tallymast.storage.count_events import CountEvent
from tallymast.storage.hand_readings import HandReading
from tallymast.storage.hardware import Part


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = begin(tmp_path)
    yield made
    made.database.close()


def site_id(world: World) -> int:
    return world.plan("quill-tank").site_id


def test_a_part_that_is_moved_keeps_what_it_is_and_leaves_its_dates_behind(world: World) -> None:
    here = site_id(world)
    with world.database.writing() as conn:
        part = hardware.enter(conn, Part(0, None, "radio", "Radio", 1000, "R-7", place="shelf B"))
        moved = hardware.move(
            conn, part, to_site_id=here, place="", how="moved to Quill", at_ms=2000, actor="me"
        )
    with world.database.reading() as conn:
        assert hardware.in_store(conn) == []
        (fitted,) = hardware.fitted(conn, here)
        old = hardware.of_id(conn, part.id)
    assert moved is not None
    assert (fitted.serial, fitted.from_ms, fitted.actor) == ("R-7", 2000, "me")
    assert old is not None
    assert (old.to_ms, old.detail["ended"]) == (2000, "moved to Quill")


def test_one_of_several_alike_is_taken_and_the_others_stay(world: World) -> None:
    with world.database.writing() as conn:
        detail = {"rating_a": 3.0, "count": 2}
        fuses = hardware.enter(conn, Part(0, None, "fuse", "", 1000, detail=detail))
        for _ in range(2):
            (left,) = hardware.in_store(conn)
            hardware.move(
                conn, left, to_site_id=site_id(world), place="load", how="", at_ms=2000, actor=""
            )
    with world.database.reading() as conn:
        fitted = hardware.fitted(conn, site_id(world))
        assert hardware.in_store(conn) == []
    assert [one.detail for one in fitted] == [{"rating_a": 3.0}, {"rating_a": 3.0}]
    assert fuses.id not in [one.id for one in fitted]


def test_a_part_that_somebody_took_meanwhile_is_not_taken_twice(world: World) -> None:
    with world.database.writing() as conn:
        part = hardware.enter(conn, Part(0, None, "radio", "Radio", 1000))
        where = {"to_site_id": site_id(world), "place": "", "how": "", "actor": ""}
        assert hardware.move(conn, part, at_ms=2000, **where) is not None  # type: ignore[arg-type]
        assert hardware.move(conn, part, at_ms=3000, **where) is None  # type: ignore[arg-type]
        assert len(hardware.fitted(conn, site_id(world))) == 1


def test_a_task_is_done_once(world: World) -> None:
    with world.database.writing() as conn:
        late = {"site_id": site_id(world), "every_months": None, "at_ms": NOW_MS, "actor": "me"}
        second = tasks.add(conn, what="Grease", due_day=20_600, **late)  # type: ignore[arg-type]
        first = tasks.add(conn, what="Calibrate", due_day=20_500, **late)  # type: ignore[arg-type]
        assert [one.id for one in tasks.standing(conn)] == [first.id, second.id]
        done = {"at_ms": NOW_MS, "actor": "me", "note": ""}
        assert tasks.finish(conn, first.id, **done)  # type: ignore[arg-type]
        assert not tasks.finish(conn, first.id, **done)  # type: ignore[arg-type]
        assert [one.what for one in tasks.standing(conn, site_id(world))] == ["Grease"]


def test_hand_readings_only_grow(world: World) -> None:
    reading = HandReading(0, site_id(world), "VBAT", 1000, 12.6, 12.7, 900, 0.0, 0.1, 3, "me")
    with world.database.writing() as conn:
        kept = hand_readings.add(conn, reading)
    with world.database.reading() as conn:
        assert hand_readings.of_site(conn, site_id(world)) == [kept]
    for statement in ("UPDATE hand_reading SET hand = 1", "DELETE FROM hand_reading"):
        with pytest.raises(StorageError), world.database.writing() as conn:
            conn.execute(text(statement))


def test_an_unknown_count_stays_unknown(world: World) -> None:
    point_id = world.plan("quill-tank").layout.points[0].point_id
    with world.database.writing() as conn:
        event = CountEvent(0, point_id, 1000, "replaced", 48_112.0, None, None, "record", "me")
        count_events.add(conn, event)
    with world.database.reading() as conn:
        ((tag, kept),) = count_events.of_site(conn, site_id(world))
        again = count_events.replaced_since(conn, 1000)
        assert (again, count_events.replaced_since(conn, 1001)) == ({site_id(world): (1000,)}, {})
    assert tag == world.plan("quill-tank").layout.points[0].tag
    assert (kept.after, kept.unknown, kept.add) == (None, None, None)


def test_a_signed_checklist_is_sealed(world: World) -> None:
    with world.database.writing() as conn:
        proof = proofs.begin(conn, site_id(world), returns.KIND, actor="me", at_ms=1000)
        proofs.put_detail(conn, proof, returns.CHECKS, {"mast": {"result": "order"}}, at_ms=1000)
        assert returns.sign(conn, proof, at_ms=2000, actor="me", note="")
        assert not returns.sign(conn, proof, at_ms=3000, actor="me", note="")
    with pytest.raises(StorageError), world.database.writing() as conn:
        proofs.put_detail(conn, proof, returns.CHECKS, {}, at_ms=4000)
    with world.database.reading() as conn:
        kept = returns.newest(conn, site_id(world))
        assert kept is not None
        assert (kept.state, kept.signed_name) == (proofs.SIGNED, "me")
        assert returns.checks(kept) == {"mast": {"result": "order"}}

"""A desk whose look breaks by a bug goes on, and every page says so; nothing is taken meanwhile."""

import json
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from tests.blank import blank
from tests.journeys.test_change import written
from tests.test_order_desk import World, confirm, world

from tallymast import networks, steady, wiring
from tallymast.domain.desks import Desk, Standstill, Why
from tallymast.domain.errors import StorageError
from tallymast.domain.orders.model import OrderState, Proof
from tallymast.routes.services import PollerCondition
from tallymast.routes.system import system_lines
from tallymast.steady import Desks, Steady
from tallymast.storage import setting
from tallymast.storage.engine import Database

__all__ = ("world",)

T = 1_772_953_200_000
POLLING = PollerCondition("polling")


def breaks(*_: object) -> None:
    raise KeyError("a bug")


def refuses() -> None:
    raise StorageError("The disk is full.")


def fall(thread: threading.Thread) -> None:
    """Run a thread to its end."""
    thread.start()
    thread.join()


# --- steps ------------------------------------------------------------------------------


def test_a_step_that_breaks_is_told_and_the_next_is_taken() -> None:
    one = Steady("a loop", lambda: T)
    assert one.take(breaks) is False
    assert one.going.since_ms == T
    assert one.take(lambda: None) is True
    assert one.going.since_ms is None


def test_a_database_that_refuses_is_no_fault_of_the_program() -> None:
    one = Steady("a loop", lambda: T)
    with pytest.raises(StorageError):
        one.take(refuses)
    assert one.going.since_ms is None


def test_a_thread_that_was_not_begun_or_was_ended_does_not_stand_still() -> None:
    now = [T]
    desks = Desks(lambda: now[0])
    dead = threading.Thread(target=lambda: None)
    desks.watch(Desk.TELLING, dead)
    assert desks.standing() == ()
    fall(dead)
    assert desks.standing() == (Standstill(Desk.TELLING, T, Why.ENDED),)
    now[0] += 60_000
    assert desks.standing() == (Standstill(Desk.TELLING, T, Why.ENDED),)  # since it was seen first
    desks.end()
    assert desks.standing() == ()


# --- orders -----------------------------------------------------------------------------


def test_a_bug_in_the_proving_of_one_order_ends_that_proof_alone(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = world.order()
    desk = world.desk()
    confirm(world, desk, number)
    monkeypatch.setattr(desk._proving, "_prove", breaks)
    world.poll(on=True, at_ms=world.now_ms + 5_000)
    assert desk._looked()
    found = world.stored(number)
    assert (found.state, found.feedback) == (OrderState.CONFIRMED, Proof.UNKNOWN)
    assert "by a fault of the program" in found.feedback_said
    assert desk.steady.going.faults == desk.proofs_steady.going.faults == 0


def test_a_bug_in_the_judging_of_one_order_ends_that_order_alone(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = world.order("first")
    desk = world.desk()
    desk.look()
    with monkeypatch.context() as broken:
        broken.setattr(desk, "_judge", breaks)
        claim = desk.claim(first)
        assert desk._looked()
    assert claim.result(0) is False
    desk.look()
    assert world.stored(first).state is OrderState.NOT_SENT
    assert "by a fault of the program" in world.stored(first).reason
    second = world.order("second")
    desk.look()
    claim = desk.claim(second)
    desk.look()
    assert claim.result(0) is True


def test_a_desk_whose_looks_break_refuses_claims_and_goes_on_when_they_do_not(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = world.order()
    desk = world.desk()
    desk.look()
    with monkeypatch.context() as broken:
        broken.setattr(desk, "_fetch_if_moved", breaks)
        assert not desk._looked()
        assert desk.steady.going.since_ms == world.now_ms
        assert desk.proofs_steady.going.since_ms is None  # what can go on goes on
    assert desk._looked()
    assert desk.steady.going.since_ms is None
    claim = desk.claim(number)
    assert desk._looked()
    assert claim.result(0) is True


# --- the whole --------------------------------------------------------------------------


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    opened = blank(tmp_path / "tallymast.sqlite3")
    networks.bring_network(opened, written("rtu-over-tcp", "127.0.0.1:5020", ("north", 1, "")), "x")
    yield opened
    opened.close()


def test_whichever_desk_stands_still_every_page_says_so(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    parts = wiring.assemble(database, "all")
    given = replace(wiring.services(parts, "0"), poller_condition=lambda: POLLING)
    assert parts.orders
    assert parts.alarms
    assert parts.volumes
    assert parts.heart
    assert system_lines(given) == ()
    steadies = (parts.orders.steady, parts.alarms.steady, parts.volumes.steady, parts.heart.steady)
    for one in steadies:
        one.take(breaks)
    lines = system_lines(given)
    assert [line.split(" stands still since ")[0] for line in lines] == [
        "The order desk",
        "The look for alarms",
        "The counting of volumes",
        "The sign of life",
    ]
    for one in steadies:
        one.take(lambda: None)
    assert system_lines(given) == ()
    monkeypatch.setattr(parts.telling, "run", lambda: None)
    assert parts.telling is not None
    fall(parts.telling)
    (line,) = system_lines(given)  # and not twice, though telling words its own troubles too
    assert line.startswith("The telling of people stands still since ")


def test_a_heart_does_not_beat_while_a_desk_stands_still(database: Database) -> None:
    parts = wiring.assemble(database, "all")
    assert parts.heart is not None
    assert parts.volumes is not None
    body = replace(parts.heart._body, poller=lambda: POLLING, looked_ms=wiring.now_ms)
    assert body.ails() == ""
    parts.volumes.steady.take(breaks)
    assert body.ails() == "The counting of volumes stands still."


def test_a_process_that_serves_pages_alone_says_it_of_the_one_that_polls(
    database: Database,
) -> None:
    poller = wiring.assemble(database, "poller")
    assert poller.orders
    assert poller.alarms
    web = wiring.assemble(database, "web")
    assert web.standing() == ()
    poller.alarms.look()
    poller.orders.steady.take(breaks)
    poller.alarms._keep_desks()
    assert web.elsewhere is not None
    web.elsewhere._read = None  # two seconds later
    (found,) = web.standing()
    assert (found.desk, found.why) == (Desk.ORDERS, Why.BREAKS)
    poller.orders.steady.take(lambda: None)
    poller.alarms._keep_desks()
    with database.writing() as conn:  # and two minutes after it was last heard of
        setting.keep(conn, "alarms.looked", str(wiring.now_ms() - 120_000))
    web.elsewhere._read = None
    assert {(one.desk, one.why) for one in web.standing()} == {
        (Desk.ORDERS, Why.UNHEARD),
        (Desk.ALARMS, Why.UNHEARD),
    }


def test_what_is_kept_for_other_processes_is_kept_as_it_is_now(database: Database) -> None:
    steady.keep(database, (Standstill(Desk.VOLUMES, T, Why.ENDED),))
    with database.reading() as conn:
        assert json.loads(setting.load(conn, steady.KEPT) or "") == [["volumes", T, "ended"]]
    steady.keep(database, ())
    with database.reading() as conn:
        assert setting.load(conn, steady.KEPT) == "[]"

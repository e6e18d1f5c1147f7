"""Orders between database and poller: claimed after a commit, refused in time, never lost."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Connection
from tests.dialects import DIALECTS, database_of
from tests.storage.test_orders import NETWORK, T0

from tallymast import networks
from tallymast.domain.errors import StorageError
from tallymast.domain.model import (
    Outcome,
    Point,
    Poll,
    PollDone,
    PollFlag,
    Reading,
    Site,
    SitePlan,
    SiteState,
    SiteStatus,
)
from tallymast.domain.orders.model import Order, OrderKind, OrderState, Proof, Told, Wanted
from tallymast.live import Live
from tallymast.orders.desk import OrderDesk
from tallymast.routes.services import NetworkView
from tallymast.storage import keys, orders
from tallymast.storage.engine import Database
from tallymast.storage.orders import NewOrder


class Flaky:
    """A database that refuses to be written while ``fails``."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self.fails = False

    def writing(self) -> AbstractContextManager[Connection]:
        if self.fails:
            raise StorageError("The disk is full.")
        return self._database.writing()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._database, name)


@dataclass
class World:
    """A desk with everything around it, and clocks a test moves."""

    database: Database
    flaky: Flaky
    view: NetworkView
    live: Live = field(default_factory=Live)
    now_ms: int = T0
    now_s: float = 500.0
    refuses: tuple[str, ...] = ()
    proofs: list[tuple[Proof, str, int | None]] = field(default_factory=list)
    given: list[list[tuple[int | None, object]]] = field(default_factory=list)
    polls: int = 0

    @property
    def plan(self) -> SitePlan:
        return self.view.sites[0]

    def desk(self, worker: str = "me") -> OrderDesk:
        return OrderDesk(
            self.flaky,  # type: ignore[arg-type]
            self.live,
            lambda: self.view,
            judge=lambda _: self.refuses,
            prove=self._prove,
            now_ms=lambda: self.now_ms,
            monotonic_s=lambda: self.now_s,
            worker=worker,
        )

    def _prove(
        self,
        order: Order,
        point: Point,
        readings: Sequence[Reading],
        now_ms: int,
        site: Site,
        newest: Mapping[str, Reading],
    ) -> tuple[Proof, str, int | None]:
        self.given.append([(one.at_ms, one.value) for one in readings])
        return self.proofs[0] if self.proofs else (Proof.WAITING, "", None)

    def pass_s(self, seconds: float) -> None:
        self.now_s += seconds
        self.now_ms += round(1000 * seconds)

    def order(self, key: str = "k") -> int:
        with self.database.writing() as conn:
            number = keys.point_id(conn, self.plan.site_id, "START")
            assert number is not None
            on = Wanted(OrderKind.ON, 1.0)
            new = NewOrder(
                key, self.now_ms, self.now_ms + 30_000, "ada", None, self.plan.site_id, number, on
            )
            return orders.make(conn, new)[0].id

    def stored(self, number: int) -> Order:
        with self.database.reading() as conn:
            found = orders.order(conn, number)
        assert found is not None
        return found

    def steps(self, number: int) -> list[str]:
        with self.database.reading() as conn:
            return [one.detail for one in orders.steps(conn, number)]

    def poll(self, *, on: bool, at_ms: int, outcome: Outcome = Outcome.FIRST_TRY) -> None:
        """Let the site be polled: pump and output both on or off."""
        layout = self.plan.layout
        words = tuple((b"\x00\x01" if on else b"\x00\x00") * one.words for one in layout.blocks)
        count = len(layout.blocks)
        poll = Poll(
            self.plan.site_id,
            at_ms,
            outcome,
            PollFlag.NONE,
            1,
            80.0,
            layout.id,
            2**count - 1,
            0,
            b"".join(words),
        )
        state = SiteState(
            self.plan.site_id,
            SiteStatus.IN_SERVICE,
            T0,
            layout.id,
            at_ms,
            at_ms,
            words,
            (at_ms,) * count,
        )
        self.live.publish_poll(PollDone(poll, state))


@pytest.fixture
def world(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[World]:
    with database_of(request, tmp_path) as database:
        networks.bring_network(database, NETWORK, "a test")
        view = NetworkView(*networks.load_network(database))
        yield World(database, Flaky(database), view)


both_dialects = pytest.mark.parametrize("world", DIALECTS, indirect=True)


def confirm(world: World, desk: OrderDesk, number: int) -> None:
    """Let the poller send an order and read it back."""
    desk.look()
    claim = desk.claim(number)
    desk.look()
    assert claim.result(0)
    at_ms = world.now_ms
    desk.told(number, Told(OrderState.SENT, at_ms, "Sent.", sent_ms=at_ms))
    told = Told(OrderState.CONFIRMED, at_ms + 1, "So.", 0, at_ms, 1.0, at_ms + 1)
    desk.told(number, told)
    desk.look()


@both_dialects
def test_a_claim_is_granted_once_its_row_says_sending(world: World) -> None:
    desk = world.desk()
    number = world.order()
    assert desk.waiting() == ()
    desk.look()
    (offered,) = desk.waiting()
    assert (offered.id, offered.tag, offered.expires_ms) == (number, "START", T0 + 30_000)
    seen: list[OrderState] = []
    claim = desk.claim(number)
    claim.add_done_callback(lambda _: seen.append(world.stored(number).state))
    assert not claim.done()
    assert not list(desk.waiting())
    assert desk.claim(number).result(0) is False  # nobody else has it too
    desk.look()
    assert claim.result(0) is True
    assert seen == [OrderState.SENDING]
    assert world.stored(number).worker == "me"


def test_what_is_lost_between_confirming_and_sending_refuses_it(world: World) -> None:
    desk = world.desk()
    number = world.order()
    desk.look()
    world.refuses = ("The interlock is not held.",)
    claim = desk.claim(number)
    desk.look()
    assert claim.result(0) is False
    found = world.stored(number)
    assert (found.state, found.reason) == (
        OrderState.REFUSED,
        "Not sent: The interlock is not held.",
    )
    assert not list(desk.waiting())


def test_where_it_cannot_be_stored_nothing_is_sent(world: World) -> None:
    desk = world.desk()
    number = world.order()
    desk.look()
    world.flaky.fails = True
    claim = desk.claim(number)
    desk.look()
    assert claim.result(0) is False
    with pytest.raises(StorageError):
        desk.look()  # it tries to store that
    world.flaky.fails = False
    desk.look()
    assert world.stored(number).state is OrderState.NOT_SENT
    assert "could not be stored" in world.stored(number).reason


def test_what_the_poller_tells_waits_for_the_database(world: World) -> None:
    desk = world.desk()
    number = world.order()
    desk.look()
    claim = desk.claim(number)
    desk.look()
    assert claim.result(0)
    world.flaky.fails = True
    desk.told(number, Told(OrderState.SENT, T0 + 5, "Sent.", sent_ms=T0 + 5))
    desk.told(number, Told(OrderState.UNCONFIRMED, T0 + 9, "It shows off.", readback_ms=T0 + 8))
    for _ in range(3):
        with pytest.raises(StorageError):
            desk.look()
    world.flaky.fails = False
    desk.look()
    assert world.stored(number).state is OrderState.UNCONFIRMED
    assert world.steps(number)[2:] == ["Sent.", "It shows off."]


@pytest.mark.parametrize("back_ms", [0, 20_000, 3_600_000], ids=["", "set back", "far back"])
def test_validity_goes_by_a_clock_nobody_can_set(world: World, back_ms: int) -> None:
    desk = world.desk()
    number = world.order()
    desk.look()
    claim = desk.claim(number)  # it waits for its turn
    world.pass_s(30.0)
    world.now_ms -= back_ms
    assert not list(desk.waiting())
    desk.look()
    assert claim.result(0) is False
    found = world.stored(number)
    assert found.state is OrderState.NOT_SENT
    assert found.reason.startswith("Expired")


@both_dialects
def test_what_another_process_sent_is_read_once_and_stays_unknown(world: World) -> None:
    before = world.desk("before")
    number = world.order()
    before.look()
    before.claim(number)
    before.look()
    world.pass_s(5.0)
    desk = world.desk("after")
    desk.look()
    assert not list(desk.waiting())
    assert world.stored(number).state is OrderState.UNKNOWN
    world.poll(on=False, at_ms=T0 + 4_000)  # older than the end
    world.poll(on=False, at_ms=T0 + 6_000, outcome=Outcome.RETRIED)  # perhaps begun before it
    desk.look()
    assert world.stored(number).readback is None
    world.poll(on=True, at_ms=T0 + 7_000)
    desk.look()
    found = world.stored(number)
    assert (found.state, found.readback, found.readback_ms) == (
        OrderState.UNKNOWN,
        1.0,
        T0 + 7_000,
    )
    assert world.steps(number)[-1] == "Read once afterwards: the output is on."
    world.poll(on=False, at_ms=T0 + 8_000)
    desk.look()
    assert len(world.steps(number)) == 4


def test_feedback_is_waited_for_and_judged_by_what_was_read_since(world: World) -> None:
    desk = world.desk()
    world.poll(on=False, at_ms=T0 - 1_000)
    number = world.order()
    confirm(world, desk, number)
    assert world.stored(number).feedback is Proof.WAITING
    assert desk.watched() == {world.plan.site_id}
    assert world.given[-1] == [(T0 - 1_000, False)]  # as it was before
    world.poll(on=True, at_ms=T0 + 500, outcome=Outcome.RETRIED)  # perhaps asked before
    desk.look()
    assert world.given[-1] == [(T0 - 1_000, False)]
    world.poll(on=False, at_ms=T0 + 5_000)
    desk.look()
    world.poll(on=True, at_ms=T0 + 9_000)
    world.proofs = [(Proof.PROVEN, "Running (feedback).", T0 + 9_000)]
    desk.look()
    assert world.given[-1] == [(T0 - 1_000, False), (T0 + 5_000, False), (T0 + 9_000, True)]
    found = world.stored(number)
    assert (found.state, found.feedback, found.feedback_ms, found.feedback_said) == (
        OrderState.CONFIRMED,
        Proof.PROVEN,
        T0 + 9_000,
        "Running (feedback).",
    )
    assert desk.watched() == frozenset()


@both_dialects
def test_feedback_goes_on_after_a_restart_and_ends_with_the_next_order(world: World) -> None:
    desk = world.desk()
    first = world.order("first")
    confirm(world, desk, first)
    again = world.desk("again")
    again.look()
    assert again.watched() == {world.plan.site_id}
    second = world.order("second")
    again.look()
    again.claim(second)
    again.look()  # claimed and stored
    again.look()  # seen
    assert world.stored(first).feedback is Proof.UNKNOWN
    assert "Another order" in world.stored(first).feedback_said


def test_a_busy_database_never_holds_up_whoever_polls(world: World) -> None:
    desk = world.desk()
    number = world.order()
    desk.look()
    desk.start()
    with world.database.writing():
        claim = desk.claim(number)
        assert not claim.done()
        assert not list(desk.waiting())
    assert claim.result(10) is True
    desk.told(number, Told(OrderState.UNKNOWN, T0 + 9, "The line died."))
    desk.stop()
    assert world.stored(number).state is OrderState.UNKNOWN
    assert desk.claim(number).result(0) is False


def test_a_claim_nobody_waits_for_any_more_sends_nothing(world: World) -> None:
    desk = world.desk()
    number = world.order()
    desk.look()
    assert desk.claim(number).cancel()
    desk.look()
    assert world.stored(number).state is OrderState.STORED
    assert not list(desk.waiting())
    world.pass_s(30.0)
    desk.look()
    assert world.stored(number).state is OrderState.NOT_SENT


def test_an_answer_may_tell_of_the_order_at_once(world: World) -> None:
    desk = world.desk()
    number = world.order()
    desk.look()
    told = Told(OrderState.NOT_SENT, T0 + 1, "Polling ended.")
    tells: Callable[[object], None] = lambda _: desk.told(number, told)  # noqa: E731
    desk.claim(number).add_done_callback(tells)
    desk.look()
    desk.look()
    assert world.stored(number).reason == "Polling ended."

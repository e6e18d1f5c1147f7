"""What joins poller, database and pages follows the network as it is, and stores jobs whole."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from tests.blank import blank
from tests.journeys.test_change import written

from tallymast import follow, hour_closer, job_desk, networks, plan_watch, wiring
from tallymast.domain import network_file
from tallymast.domain.errors import StorageError
from tallymast.domain.model import (
    GatewayState,
    GatewayStatus,
    JobState,
    Outcome,
    Poll,
    PollDone,
    PollFlag,
    SiteState,
    SiteStatus,
)
from tallymast.domain.setup.proposals import Rename
from tallymast.live import Live
from tallymast.routes.services import NetworkView
from tallymast.storage import jobs, nights, states
from tallymast.storage import network as stored_network
from tallymast.storage.engine import Database
from tallymast.storage.writer import Writer

NORTH, SOUTH = ("north", 1, ""), ("south", 2, "")
PLACE = "latitude = 44.1\nlongitude = -106.3"
NOON_MS = 1_772_978_400_000  # 2026-03-08 14:00 UTC
HOUR_MS, DAY_MS = 3_600_000, 86_400_000


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    opened = blank(tmp_path / "tallymast.sqlite3")
    yield opened
    opened.close()


@pytest.fixture
def change(database: Database) -> Callable[..., NetworkView]:
    """Makes the network one of these sites, and returns it as pages see it."""

    def make(*sites: tuple[str, int, str], zone: str = "UTC") -> NetworkView:
        text = written("rtu-over-tcp", "127.0.0.1:5020", *sites)
        text = text.replace('time_zone = "UTC"', f'time_zone = "{zone}"')
        if not networks.bring_network(database, text, "a test"):
            return NetworkView(*networks.load_network(database))
        networks.change_network(database, text, "a test")
        return NetworkView(*networks.load_network(database))

    return make


def state_of(site_id: int, at_ms: int = NOON_MS) -> SiteState:
    return SiteState(site_id, SiteStatus.IN_SERVICE, at_ms, 1, last_answer_ms=at_ms)


# --- jobs -----------------------------------------------------------------------------


@pytest.fixture
def gateway_id(change: Callable[..., NetworkView]) -> int:
    return change(NORTH).gateways[0].gateway_id


def ask_scan(database: Database, gateway_id: int) -> int:
    with database.writing() as conn:
        job = jobs.ask(
            conn,
            "scan",
            gateway_id=gateway_id,
            actor="ada",
            at_ms=NOON_MS,
            params={"units": [1, 2]},
        )
    return job.id


def test_rows_and_state_of_a_job_are_stored_in_one_step(
    database: Database, gateway_id: int
) -> None:
    number = ask_scan(database, gateway_id)
    live = Live()
    desk = job_desk.JobDesk(database, live)
    desk.look()
    assert [(job.id, job.params) for job in desk.waiting()] == [(number, {"units": [1, 2]})]
    desk.job_changed(number, JobState.RUNNING, 0.0, "")
    desk.look()
    with database.reading() as before:
        desk.job_row(number, 0, {"unit": 1, "heard": "answer"})
        desk.job_row(number, 1, {"unit": 2, "heard": "silence"})
        desk.job_changed(number, JobState.DONE, 1.0, "2 of 2 addresses asked.")
        assert jobs.rows(before, number) == []
    desk.look()
    with database.reading() as conn:
        assert [row["unit"] for row in jobs.rows(conn, number)] == [1, 2]
        done = jobs.job(conn, number)
    assert done is not None
    assert (done.state, done.result) == (JobState.DONE, "2 of 2 addresses asked.")
    assert live.jobs()[number].state is JobState.DONE
    assert live.jobs()[number].result == "2 of 2 addresses asked."


def test_rows_that_could_not_be_stored_wait_for_the_next_look(
    database: Database, gateway_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = ask_scan(database, gateway_id)
    desk = job_desk.JobDesk(database, Live())
    desk.look()
    desk.job_row(number, 0, {"unit": 1})
    desk.job_changed(number, JobState.RUNNING, 0.5, "")

    def refuse(*_: object, **__: object) -> None:
        raise StorageError("The disk is full.")

    with monkeypatch.context() as patched, pytest.raises(StorageError):
        patched.setattr("tallymast.storage.jobs.update", refuse)
        desk.look()
    with database.reading() as conn:
        assert jobs.rows(conn, number) == []
    desk.look()
    with database.reading() as conn:
        assert jobs.rows(conn, number) == [{"unit": 1}]


def test_a_wish_to_stop_reaches_the_poller_and_ends_with_the_job(
    database: Database, gateway_id: int
) -> None:
    number = ask_scan(database, gateway_id)
    desk = job_desk.JobDesk(database, Live())
    desk.look()
    assert desk.stopping() == frozenset()
    with database.writing() as conn:
        assert jobs.ask_stop(conn, number, NOON_MS)
    desk.look()
    assert desk.stopping() == {number}
    desk.job_changed(number, JobState.DONE, 0.5, "Stopped by hand: 1 of 2 addresses asked.")
    desk.look()
    desk.look()
    assert desk.stopping() == frozenset()


def test_a_second_program_follows_a_scan_that_takes_longer_than_its_memory(
    database: Database, gateway_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tallymast.wall.now_ms", lambda: NOON_MS + 1)
    number = ask_scan(database, gateway_id)
    live = Live()
    following = follow.Follow(database, live)
    following.look()
    assert live.jobs()[number].state is JobState.WAITING
    monkeypatch.setattr("tallymast.wall.now_ms", lambda: NOON_MS + 40 * 60_000)
    with database.writing() as conn:
        jobs.update(conn, number, JobState.DONE, 1.0, "All asked.", NOON_MS)
    following.look()
    assert live.jobs()[number].result == "All asked."


# --- the network as it is ---------------------------------------------------------------


def test_what_leaves_the_network_is_forgotten_and_what_returns_is_remembered(
    database: Database, change: Callable[..., NetworkView]
) -> None:
    both = change(NORTH, SOUTH)
    north, south = (plan.site_id for plan in both.sites)
    with database.writing() as conn:
        states.store_states(conn, [state_of(north), state_of(south)], [])
    live = Live()
    live.publish_sites([state_of(north), state_of(south)])
    live.publish_gateway(GatewayState(99, GatewayStatus.CONNECTED, 0))
    shown = [both]
    watch = plan_watch.PlanWatch(database, {}, shown, live)
    watch.look()
    assert set(live.sites()) == {north, south}
    assert live.gateways() == {}  # one that no plan knows
    change(NORTH)
    watch.look()
    assert [plan.site.key for plan in shown[0].sites] == ["north"]
    assert set(live.sites()) == {north}
    late = Poll(south, NOON_MS, Outcome.FIRST_TRY, PollFlag.NONE, 1, 80.0, 1, 0, 0, b"")
    live.publish_poll(PollDone(late, state_of(south)))  # its last visit ended after all
    watch.look()
    assert set(live.sites()) == {north}
    change(NORTH, SOUTH)
    watch.look()
    assert live.sites()[south] == state_of(south)


def test_a_renamed_site_keeps_its_state(
    database: Database, change: Callable[..., NetworkView]
) -> None:
    view = change(NORTH, SOUTH)
    north = view.sites[0].site_id
    live, shown = Live(), [view]
    live.publish_site(state_of(north))
    watch = plan_watch.PlanWatch(database, {}, shown, live)
    text = written("rtu-over-tcp", "127.0.0.1:5020", ("weir", 1, ""), SOUTH)
    body, network = network_file.read(text, "a form")
    with database.writing() as conn:
        stored_network.store_network(
            conn,
            body,
            network,
            actor="ada",
            source="form",
            at_ms=NOON_MS,
            renamed=(Rename("site", "north", "weir"),),
        )
    watch.look()
    assert (shown[0].sites[0].site_id, shown[0].sites[0].site.key) == (north, "weir")
    assert live.sites() == {north: state_of(north)}


def store_volts(database: Database, view: NetworkView, key: str, from_ms: int) -> None:
    """Store two days of 12.50 V, a poll a half hour."""
    plan = view.site(key)
    assert plan is not None
    writer = Writer(database, now_ms=lambda: from_ms)
    words = (7).to_bytes(2, "big") + (1250).to_bytes(2, "big")
    state = replace(state_of(plan.site_id), layout_id=plan.layout.id)
    writer.start()
    for n in range(96):
        at_ms = from_ms + n * 1_800_000
        poll = Poll(
            plan.site_id,
            at_ms,
            Outcome.FIRST_TRY,
            PollFlag.NONE,
            1,
            80.0,
            plan.layout.id,
            1,
            0,
            words,
        )
        writer.put(PollDone(poll, replace(state, last_poll_ms=at_ms)))
    writer.stop()


def test_a_site_added_later_gets_its_nights_without_a_restart(
    database: Database, change: Callable[..., NetworkView], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tallymast.wall.now_ms", lambda: NOON_MS)
    shown = [change(("north", 1, PLACE))]
    store_volts(database, shown[0], "north", NOON_MS - 2 * DAY_MS)
    closer = hour_closer.HourCloser(database, lambda: shown[0])
    closer.close()
    shown[0] = change(("north", 1, PLACE), ("south", 2, PLACE))
    north, south = (plan.site_id for plan in shown[0].sites)
    store_volts(database, shown[0], "south", NOON_MS - 2 * DAY_MS)
    closer.close()
    with database.reading() as conn:
        known = nights.known_days(conn, 0)
    assert known[south] == known[north]
    assert len(known[south]) == 2


def test_a_place_given_later_brings_the_nights_before_it(
    database: Database, change: Callable[..., NetworkView], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tallymast.wall.now_ms", lambda: NOON_MS + 5 * DAY_MS)
    shown = [change(NORTH)]
    store_volts(database, shown[0], "north", NOON_MS - 2 * DAY_MS)
    closer = hour_closer.HourCloser(database, lambda: shown[0])
    closer.close()
    shown[0] = change(("north", 1, PLACE))
    closer.close()
    with database.reading() as conn:
        known = nights.known_days(conn, 0)[shown[0].sites[0].site_id]
    # The mornings of 7 and 8 March 2026, as days since 1970 (20 520 x 86 400 s = 8 March).
    assert known >= {20_519, 20_520}


def test_a_changed_time_zone_holds_for_the_nights_that_follow(
    database: Database, change: Callable[..., NetworkView], monkeypatch: pytest.MonkeyPatch
) -> None:
    # At 14:00 UTC it is 23:00 of the same day in Tokyo and 03:00 of the next in Auckland.
    monkeypatch.setattr("tallymast.wall.now_ms", lambda: NOON_MS)
    shown = [change(("north", 1, PLACE))]
    zones: list[str] = []

    def keep(_database: object, _sites: object, _days: object, zone: object, _now: int) -> int:
        zones.append(str(zone))
        return 0

    monkeypatch.setattr("tallymast.storage.nights.compute_nights", keep)
    closer = hour_closer.HourCloser(database, lambda: shown[0])
    closer.close()
    shown[0] = change(("north", 1, PLACE), zone="Pacific/Auckland")
    closer.close()
    assert zones == ["UTC", "Pacific/Auckland"]


# --- a start without a network ------------------------------------------------------------


def test_a_new_network_is_begun_once_and_is_empty(database: Database) -> None:
    assert networks.begin_network(database)
    assert not networks.begin_network(database)
    network, plan = networks.load_network(database)
    assert (network.title, network.time_zone) == ("New network", "UTC")
    assert plan.gateways == ()
    parts = wiring.assemble(database, "all")
    assert parts.view.sites == ()
    assert wiring.would_fall(parts) == []


def test_a_file_given_to_an_empty_network_becomes_it(
    database: Database, change: Callable[..., NetworkView]
) -> None:
    networks.begin_network(database)
    assert [plan.site.key for plan in change(NORTH).sites] == ["north"]
    other = written("rtu-over-tcp", "127.0.0.1:5020", SOUTH)
    assert networks.bring_network(database, other, "another")  # from then on it is told, not taken
    assert [plan.site.key for plan in NetworkView(*networks.load_network(database)).sites] == [
        "north"
    ]


def test_a_gateway_is_reached_elsewhere_by_its_key_or_its_stored_address(
    database: Database, change: Callable[..., NetworkView]
) -> None:
    change(NORTH)
    for told in ("mast", "127.0.0.1:5020"):
        _, plan = networks.load_network(database, {told: "127.0.0.1:4711"})
        assert plan.gateways[0].gateway.address == "127.0.0.1:4711"
    _, plan = networks.load_network(database, {"127.0.0.1:9": "127.0.0.1:4711"})
    assert plan.gateways[0].gateway.address == "127.0.0.1:5020"

"""The keeper looks, stores what changed, overwrites nobody's act and loses nothing it saw."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import Connection, select, update
from tests.routes.conftest import NOW_MS, World, begin, words

from tallymast.alarms.blind import blind_words, looked
from tallymast.alarms.book import AlarmBook, rebased
from tallymast.alarms.keeper import AlarmKeeper, Eyes
from tallymast.alarms.written import WrittenWords
from tallymast.domain.alarms import stepping
from tallymast.domain.alarms.figures import figures
from tallymast.domain.alarms.model import (
    Alarm,
    Alarms,
    AlarmState,
    Condition,
    Entry,
    Event,
    Kind,
    Standing,
    Step,
)
from tallymast.domain.alarms.rationalised import Written
from tallymast.domain.alarms.setting_up import alarms_of
from tallymast.domain.alarms.weekly import Weekly
from tallymast.domain.errors import StorageError
from tallymast.domain.model import GatewayState, GatewayStatus, Outcome, PollPlan, Priority
from tallymast.domain.orders.model import Order, OrderKind, OrderState, Wanted
from tallymast.routes.services import NetworkView
from tallymast.storage import alarms, audit, rationalised, schema
from tallymast.storage import network as stored_network
from tallymast.storage.engine import Database

MINUTE = 60_000
HIGH, SILENT, GATEWAY = "quill-tank/LVL/high", "quill-tank//comm-fail", "/gateway/mast"
OVER, UNDER = words(19_200, 1280, 0), words(12_000, 1280, 0)  # 4.75 m and 2.50 m of 4.5 m allowed


@dataclass
class Watch:
    """A world with a keeper, whose clock a test moves."""

    world: World
    keeper: AlarmKeeper
    book: AlarmBook

    def now(self) -> Alarms:
        return self.keeper.now()

    def standing(self, key: str = HIGH) -> Standing:
        return self.now().standings[key]

    def look_at(self, minutes: float, body: bytes | None = None, key: str = "quill-tank") -> None:
        """Let a poll come in at a minute, and look right after it."""
        self.world.now_ms = NOW_MS + round(minutes * MINUTE)
        if body is not None:
            self.world.polls(key, [(self.world.now_ms, Outcome.FIRST_TRY, body)])
        self.keeper.look()

    def raise_high(self) -> None:
        for minute in range(4):
            self.look_at(minute, OVER)
        assert self.standing().state is AlarmState.UNACKNOWLEDGED

    def events(self, key: str = HIGH) -> list[tuple[Event, AlarmState, AlarmState]]:
        with self.world.database.reading() as conn:
            told = alarms.journal(conn, 0, 2**62, alarm=key, limit=1000)
        return [(one.event, one.before, one.after) for _, one in reversed(told)]

    def act(self, step: Any, key: str = HIGH) -> None:
        """Do what a page of another process does: read, step, keep."""
        with self.world.database.writing() as conn:
            alarms.alone(conn)
            stood = alarms.of_keys(conn, [key])[key]
            alarms.keep(conn, {key: step(self.now().alarms[key], stood)}, self.world.now_ms)


def watch(world: World, database: Database | None = None) -> Watch:
    used = database or world.database
    written = WrittenWords(used)
    book = AlarmBook(used, lambda: world.view, alarms_of, written=written.now)
    eyes = Eyes(
        world.live,
        network=lambda: world.view,
        now_ms=lambda: world.now_ms,
        health=dict,
        storage=lambda: world.storage,
        poller=lambda: world.poller,
    )
    return Watch(world, AlarmKeeper(eyes, book), book)


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = begin(tmp_path)
    yield made
    made.database.close()


@pytest.fixture
def watched(world: World) -> Watch:
    return watch(world)


def acknowledged(alarm: Alarm, one: Standing) -> Step:
    return stepping.acknowledge(alarm, one, NOW_MS + 5 * MINUTE, "r.hale", "")


# --- looking --------------------------------------------------------------------------


def test_a_level_that_stays_too_high_is_raised_and_stored(watched: Watch) -> None:
    watched.look_at(0, OVER)
    assert watched.standing().state is AlarmState.NORMAL  # one reading is not enough
    watched.raise_high()
    assert watched.events() == [(Event.RAISED, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED)]
    with watched.world.database.reading() as conn:
        stored = alarms.load(conn)[HIGH]
    assert (stored.state, stored.condition) == (AlarmState.UNACKNOWLEDGED, Condition.ABNORMAL)
    assert stored.value == "4.75 m"


def test_a_reading_that_changes_nothing_is_not_stored(watched: Watch) -> None:
    watched.look_at(0, UNDER)
    with watched.world.database.reading() as conn:
        seq, _ = alarms.since(conn, -1)
    watched.look_at(0.5, words(12_100, 1280, 0))
    assert watched.standing().value == "2.53 m"
    with watched.world.database.reading() as conn:
        _, fresh = alarms.since(conn, seq)
    assert HIGH not in fresh


def test_whoever_watches_is_woken_when_an_alarm_moves(watched: Watch) -> None:
    watched.look_at(0, UNDER)
    before = watched.world.live.version
    watched.look_at(0.1)
    assert watched.world.live.version == before
    watched.raise_high()
    polls = 4  # each poll climbs by one of its own
    assert watched.world.live.version > before + polls


def test_values_go_stale_and_the_alarm_is_unknown_not_over(watched: Watch) -> None:
    watched.raise_high()
    watched.look_at(20)
    assert watched.standing().state is AlarmState.UNACKNOWLEDGED
    assert watched.standing().condition is Condition.UNKNOWN
    assert watched.events()[-1][0] is Event.UNKNOWN


def test_storage_and_poller_call_for_themselves(watched: Watch) -> None:
    world = watched.world
    watched.look_at(0, UNDER)
    world.storage = replace(
        world.storage, state="failing", since_ms=NOW_MS, sentence="The disk is full."
    )
    world.poller = replace(world.poller, state="standing", sentence="Polling has ended.")
    for minute in range(1, 10):
        watched.look_at(minute)
    assert watched.standing("//storage").state is AlarmState.UNACKNOWLEDGED
    assert watched.standing("//storage").value == "The disk is full."
    assert watched.standing("//poller").state is AlarmState.UNACKNOWLEDGED


# --- acts of others -------------------------------------------------------------------


def test_an_act_of_another_process_is_taken_up_and_goes_on(watched: Watch) -> None:
    watched.raise_high()
    watched.act(acknowledged)
    assert watched.standing().acked_by == "r.hale"  # whoever asks sees it at once
    for minute in range(6, 12):
        watched.look_at(minute, UNDER)
    assert watched.events()[1:] == [
        (Event.ACKNOWLEDGED, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED),
        (Event.CLEARED, AlarmState.ACKNOWLEDGED, AlarmState.NORMAL),
    ]


def test_an_act_between_look_and_store_is_not_overwritten(watched: Watch) -> None:
    watched.raise_high()
    before = watched.book.now()
    cleared = entry(Event.CLEARED, AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)
    seen = replace(before.standings[HIGH], state=AlarmState.RETURNED, cleared_ms=NOW_MS + 6)
    watched.book.put(before, {HIGH: Step(seen, (cleared,))})
    watched.act(acknowledged)
    assert watched.book.store(NOW_MS + 7)
    one = watched.standing()
    assert (one.state, one.acked_by, one.cleared_ms) == (AlarmState.NORMAL, "r.hale", NOW_MS + 6)
    assert [event for event, _, _ in watched.events()] == [
        Event.RAISED,
        Event.ACKNOWLEDGED,
        Event.CLEARED,
    ]
    with watched.world.database.reading() as conn:
        assert alarms.load(conn)[HIGH] == one


def entry(event: Event, before: AlarmState, after: AlarmState) -> Entry:
    return Entry(NOW_MS, HIGH, event, before, after)


A_HIGH = Alarm(HIGH, Kind.HIGH, Priority.HIGH, "quill-tank", "LVL")
B, C, D = AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED
DECIDED = Standing(
    C,
    acked_ms=5,
    acked_by="r.hale",
    shelved_until_ms=NOW_MS + 9,
    shelved_by="r.hale",
    shelved_why="Painted.",
    out_of_service="r.hale: no probe",
)


def test_what_a_person_decided_holds_over_what_a_look_saw() -> None:
    made = rebased(A_HIGH, DECIDED, Step(Standing(D, cleared_ms=7), (entry(Event.CLEARED, B, D),)))
    assert made.standing == replace(DECIDED, state=AlarmState.NORMAL, cleared_ms=7)
    assert [(one.before, one.after) for one in made.entries] == [(C, AlarmState.NORMAL)]


def test_what_was_raised_anew_wants_to_be_acknowledged_anew() -> None:
    fresh = Standing(AlarmState.NORMAL, acked_ms=5, acked_by="r.hale")  # D, acknowledged
    made = rebased(A_HIGH, fresh, Step(Standing(B, raised_ms=8), (entry(Event.RAISED, D, B),)))
    assert (made.standing.state, made.standing.acked_ms) == (B, None)


def test_a_shelf_that_was_prolonged_meanwhile_does_not_end() -> None:
    over = entry(Event.UNSHELVED, C, C)
    longer = rebased(A_HIGH, DECIDED, Step(Standing(C), (over,)))
    assert longer.standing.shelved_until_ms == NOW_MS + 9
    same = rebased(A_HIGH, replace(DECIDED, shelved_until_ms=NOW_MS), Step(Standing(C), (over,)))
    assert (same.standing.shelved_until_ms, same.standing.shelved_by) == (None, "")


# --- a database that refuses ----------------------------------------------------------


@dataclass
class Refusing:
    """A database that refuses to store while a test says so; after the block, as a full disk."""

    kept: Database
    refuses: bool = False
    refused: int = field(default=0)

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        with self.kept.writing() as conn:
            yield conn
            if self.refuses:
                self.refused += 1
                raise StorageError("The disk is full.")

    def __getattr__(self, name: str) -> Any:
        return getattr(self.kept, name)


def test_what_cannot_be_stored_is_shown_and_stored_later_entry_by_entry(world: World) -> None:
    disk = Refusing(world.database)
    watched = watch(world, disk)  # type: ignore[arg-type]
    watched.look_at(0, UNDER)
    disk.refuses = True
    for minute in range(1, 12):
        with suppress(StorageError):
            watched.look_at(minute, OVER if minute < 6 else UNDER)
    assert disk.refused > 5
    assert watched.standing().state is AlarmState.RETURNED
    assert watched.events() == []
    disk.refuses = False
    watched.look_at(12, UNDER)
    assert watched.events() == [
        (Event.RAISED, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED),
        (Event.CLEARED, AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED),
    ]
    with world.database.reading() as conn:
        times = [one.at_ms for _, one in alarms.journal(conn, 0, 2**62, alarm=HIGH)]
        assert alarms.load(conn)[HIGH].state is AlarmState.RETURNED
    assert all(at_ms < NOW_MS + 12 * MINUTE for at_ms in times)  # when it happened, not when stored


def test_a_start_with_a_disk_that_is_full_looks_all_the_same(watched: Watch) -> None:
    watched.raise_high()
    watched.keeper.stop_looking()
    disk = Refusing(watched.world.database, refuses=True)
    again = watch(watched.world, disk)  # type: ignore[arg-type]
    for minute in range(200, 206):
        with suppress(StorageError):
            again.look_at(minute, UNDER)
    assert again.standing().state is AlarmState.RETURNED
    disk.refuses = False
    again.look_at(206, UNDER)
    assert [event for event, _, _ in again.events()] == [Event.RAISED, Event.KNOWN, Event.CLEARED]
    told = blind_words(watched.world.database, again.world.view, again.now(), again.world.now_ms)
    assert told.startswith("Blind for 3 h 17 min")


# --- the network changes --------------------------------------------------------------


def revise(world: World, **changes: Any) -> None:
    """Change what every site of the network is, and store it."""
    whole = world.view.network
    sites = tuple(replace(site, **changes) for site in whole.sites)
    with world.database.reading() as conn:
        plan = stored_network.load_plan(conn, replace(whole, sites=sites))
    world.view = NetworkView(replace(whole, sites=sites), plan)


def test_an_alarm_whose_point_is_gone_is_retired_and_its_journal_stays(watched: Watch) -> None:
    watched.raise_high()
    points = tuple(one for one in watched.world.plan("quill-tank").site.points if one.tag != "LVL")
    revise(watched.world, points=points)
    watched.look_at(5)
    assert HIGH not in watched.now().alarms
    assert HIGH not in watched.now().standings
    with watched.world.database.reading() as conn:
        assert HIGH not in alarms.load(conn)
    assert [event for event, _, _ in watched.events()] == [Event.RAISED, Event.CLEARED]


def test_a_process_that_only_shows_reads_what_another_stores(watched: Watch) -> None:
    reader = AlarmBook(watched.world.database, lambda: watched.world.view, alarms_of)
    reader.has_moved()
    assert not reader.has_moved()
    watched.raise_high()
    assert reader.has_moved()
    assert reader.now().standings[HIGH].state is AlarmState.UNACKNOWLEDGED
    watched.act(acknowledged)
    assert reader.now().standings[HIGH].state is AlarmState.ACKNOWLEDGED
    assert reader.has_moved()
    assert not reader.has_moved()


# --- at a start -----------------------------------------------------------------------


def test_a_start_tells_how_long_nobody_looked_and_what_was_active(watched: Watch) -> None:
    world = watched.world
    watched.raise_high()
    world.now_ms = NOW_MS + 4 * MINUTE
    watched.keeper.stop_looking()
    again = watch(world)
    again.look_at(4 + 190)
    told = blind_words(world.database, world.view, again.now(), world.now_ms)
    assert told == (
        "Blind for 3 h 10 min (10:04:00 to 13:14:00): nobody looked for alarms. "
        "1 alarm was active before: Quill Tank: Level high."
    )
    one = again.standing()
    assert (one.state, one.condition) == (AlarmState.UNACKNOWLEDGED, Condition.UNKNOWN)
    again.look_at(4 + 191, OVER)
    assert again.standing().condition is Condition.ABNORMAL
    assert again.events()[-1][0] is Event.KNOWN
    later_ms = world.now_ms + 12 * 60 * MINUTE
    with world.database.writing() as conn:
        alarms_looked(conn, later_ms)
    assert blind_words(world.database, world.view, again.now(), later_ms) == ""


def test_a_short_restart_is_not_told(watched: Watch) -> None:
    watched.look_at(0, UNDER)
    watched.keeper.stop_looking()
    again = watch(watched.world)
    again.look_at(1)
    assert (
        blind_words(again.world.database, again.world.view, again.now(), again.world.now_ms) == ""
    )


def test_pages_tell_when_nobody_looks_now(watched: Watch) -> None:
    watched.look_at(0, UNDER)
    told = blind_words(
        watched.world.database, watched.world.view, watched.now(), NOW_MS + 30 * MINUTE
    )
    assert told.startswith("Nobody has looked for alarms for 30 min, since 10:00:00")


# --- a flood --------------------------------------------------------------------------

FLOOD_SITE = """
[[site]]
key = "s{n}"
name = "Site {n}"
gateway = "mast"
unit = {n}
profile = "tank"
poll_every_s = 10
"""
FLOOD_POINT = """
  [[profile.point]]
  tag = "P{n}"
  name = "Pressure {n}"
  kind = "analog-input"
  table = "input"
  register = {n}
  layout = "uint16"
  raw = [4000, 20000]
  value = [0.0, 5.0]
  unit = "bar"
  limits = {{ low = 1.0, high = 4.5 }}
  on_delay_s = 0
"""
FLOOD_HEAD = """
title = "Many tanks"
time_zone = "UTC"
contract_hour = 7

[[gateway]]
key = "mast"
name = "Mast"
transport = "rtu-over-tcp"
address = "127.0.0.1:5020"

[[profile]]
key = "tank"
"""


def flooded(tmp_path: Path, sites: int = 64, points: int = 8) -> World:
    text = FLOOD_HEAD + "".join(FLOOD_POINT.format(n=n) for n in range(points))
    return begin(tmp_path, text + "".join(FLOOD_SITE.format(n=n + 1) for n in range(sites)))


def poll_all(world: World, raw: int) -> None:
    body = raw.to_bytes(2, "big") * 8
    for plan in world.view.sites:
        done = world._done(plan, world.now_ms, Outcome.FIRST_TRY, body)
        world.live.publish_poll(done)


def test_in_a_flood_with_its_gateway_lost_one_cause_is_shown(tmp_path: Path) -> None:
    world = flooded(tmp_path)
    try:
        watched = watch(world)
        poll_all(world, 12_000)
        watched.look_at(0)
        for second in range(1, 11):  # every pressure is too high at once
            world.now_ms = NOW_MS + second * 1000
            poll_all(world, 19_500)
            watched.keeper.look()
        assert len(shown(watched)) >= 500
        lose_gateway(world)
        for second in range(11, 120, 10):
            world.now_ms = NOW_MS + second * 1000
            watched.keeper.look()
        assert shown(watched) == [GATEWAY]
        held = {k: one for k, one in watched.now().standings.items() if one.state.is_active}
        assert held.pop(GATEWAY).suppressed_by == ""
        assert len(held) >= 500  # nothing is cleared by not being seen
        assert all("Mast cannot be reached" in one.suppressed_by for one in held.values())
        with world.database.reading() as conn:
            kept = {key: (one.state, one.suppressed_by) for key, one in alarms.load(conn).items()}
        seen = watched.now().standings
        assert kept == {key: (one.state, one.suppressed_by) for key, one in seen.items()}
    finally:
        world.database.close()


def lose_gateway(world: World) -> None:
    number = world.view.gateways[0].gateway_id
    lost = GatewayState(number, GatewayStatus.UNREACHABLE, world.now_ms, sentence="No answer.")
    world.live.publish_gateway(lost)


def shown(watched: Watch) -> list[str]:
    return [key for key, one in watched.now().standings.items() if one.is_shown]


def alarms_looked(conn: Connection, at_ms: int) -> None:
    looked(conn, at_ms)


# --- the test alarm, orders ----------------------------------------------------------------

TEST = "//test"


def weekly_watch(world: World, weekly: Weekly) -> Watch:
    found = watch(world)
    eyes = replace(found.keeper._eyes, weekly=lambda: weekly)
    return Watch(world, AlarmKeeper(eyes, found.book), found.book)


def test_the_weekly_test_is_raised_for_a_minute_written_down_and_never_counted(
    world: World,
) -> None:
    local = datetime.fromtimestamp(NOW_MS / 1000, UTC).astimezone(ZoneInfo(world.view.time_zone))
    due = local.replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
    minute = (due.timestamp() * 1000 - NOW_MS) / MINUTE
    watched = weekly_watch(world, Weekly(due.weekday(), due.hour))
    for at in (minute - 1, minute + 0.02, minute + 0.5):
        watched.look_at(at)
    assert watched.standing(TEST).state is AlarmState.UNACKNOWLEDGED
    watched.look_at(minute + 1.1)
    assert watched.standing(TEST).state is AlarmState.RETURNED
    assert [event for event, _, _ in watched.events(TEST)] == [Event.RAISED, Event.CLEARED]
    with world.database.reading() as conn:
        told = audit.search(conn, audit.Wanted(), 10)
        entries = [entry for _, entry in alarms.journal(conn, 0, 2**62)]
    assert [one.sentence for one in told] == ["The weekly test alarm was raised."]
    assert figures(entries, NOW_MS, NOW_MS + 86_400_000).raised == 0


def test_a_look_knows_the_newest_order_by_site_and_tag_and_keeps_it_while_storage_refuses(
    world: World,
) -> None:
    site_id = next(one.site_id for one in world.view.sites if one.site.key == "quill-tank")
    made = Order(
        1, "k", NOW_MS, "opal", None, site_id, 7, "OUT1", Wanted(OrderKind.ON, 1.0), "off",
        None, OrderState.UNCONFIRMED, NOW_MS, NOW_MS + 30_000,
    )  # fmt: skip
    answers = iter([{7: made, 8: replace(made, site_id=99)}])

    def orders() -> dict[int, Order]:
        found = next(answers, None)
        if found is None:
            raise StorageError("The disk is full.")
        return found

    eyes = replace(watch(world).keeper._eyes, orders=orders)
    keeper = AlarmKeeper(eyes, AlarmBook(world.database, lambda: world.view, alarms_of))
    for _ in range(2):
        assert keeper.around(NOW_MS).orders == {("quill-tank", "OUT1"): made}


# --- words people wrote -----------------------------------------------------------------


def write(world: World, key: str, one: Written) -> None:
    """Do what a page of another process does."""
    with world.database.writing() as conn:
        rationalised.keep(conn, alarms.ids(conn)[key], one)


def test_a_priority_written_while_it_stands_is_in_force_and_moves_no_state(world: World) -> None:
    watched, page = watch(world), watch(world)
    watched.raise_high()
    stood, told = watched.standing(), watched.events()
    assert page.book.now().alarms[HIGH].priority is not Priority.URGENT
    call = "Call the canal company; 20 min until it spills."
    write(world, HIGH, Written(Priority.URGENT, response=call, actor="r.hale", at_ms=NOW_MS))
    for book in (page.book, watched.book):  # also where nobody looks, without a restart
        alarm = book.now().alarms[HIGH]
        assert (alarm.priority, alarm.response) == (Priority.URGENT, call)
    watched.look_at(4, OVER)
    assert watched.standing() == replace(stood, seen_ms=watched.standing().seen_ms)
    assert watched.events() == told  # ISA-18.2's states know no priority: nothing happened to it
    with world.database.reading() as conn:
        row = conn.execute(select(schema.alarm).where(schema.alarm.c.key == HIGH)).one()
    assert (row.priority, row.response) == ("urgent", call)


def test_words_stay_with_their_alarm_under_another_name_and_rest_without_it(world: World) -> None:
    watched = watch(world)
    watched.look_at(0, UNDER)
    write(world, HIGH, Written(response="Call the canal company.", actor="r.hale", at_ms=NOW_MS))
    with world.database.writing() as conn:
        site = schema.site
        conn.execute(update(site).where(site.c.key == "quill-tank").values(key="quill-basin"))
    view, network = world.view, world.view.network
    renamed = tuple(
        replace(one, key="quill-basin") if one.key == "quill-tank" else one for one in network.sites
    )
    world.view = NetworkView(replace(network, sites=renamed), PollPlan(2, view.gateways))
    new = HIGH.replace("quill-tank", "quill-basin")
    assert watched.book.now().alarms[new].response == "Call the canal company."  # at once
    watched.keeper.look()
    assert watched.book.now().alarms[new].response == "Call the canal company."
    few = tuple(one for one in renamed if one.key != "quill-basin")
    world.view = NetworkView(replace(network, sites=few), PollPlan(3, view.gateways))
    watched.keeper.look()
    with world.database.reading() as conn:
        (kept,) = rationalised.every(conn)
        assert rationalised.in_force(conn) == {}
    assert (kept.key, kept.is_set_up, kept.written.actor) == (new, False, "r.hale")
    assert new not in watched.book.now().alarms

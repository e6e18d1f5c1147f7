"""The demo's past: begun once, written newest first, joined to the present without a seam."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from tallymast import networks, running
from tallymast.demo import demonstration
from tallymast.demo.demonstration import DAY_MS, Scene
from tallymast.demo.past import as_of
from tallymast.domain import network_file
from tallymast.domain.errors import ConfigError
from tallymast.domain.model import PollClass, SiteState, SiteStatus, Table
from tallymast.domain.setup.proposals import Rename
from tallymast.simulator.history import Past
from tallymast.simulator.site_model import SiteModel
from tallymast.simulator.stations import Station
from tallymast.storage import comms, episodes, nights, notes, states
from tallymast.storage import network as stored_network
from tallymast.storage.engine import Database, open_database

HOUR_MS = 3_600_000
NOW_MS = round(datetime(2026, 11, 25, 8, 2, tzinfo=ZoneInfo("America/Denver")).timestamp() * 1000)


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Database, Scene]]:
    """A demo started for the first time, before its older days are written."""
    folder: Path = tmp_path_factory.mktemp("demo")
    database = open_database(folder / "tallymast.sqlite3")
    scene = demonstration.begin(database, NOW_MS)
    demonstration.join(database, scene, NOW_MS)
    yield database, scene
    database.close()


def site_states(database: Database, scene: Scene) -> dict[str, SiteState]:
    with database.reading() as conn:
        known = states.load_site_states(conn)
    return {site.site.key: known[site.site_id] for _, site in scene.sites if site.site_id in known}


def test_a_network_of_ones_own_is_left_alone(tmp_path: Path) -> None:
    database = open_database(tmp_path / "tallymast.sqlite3")
    own = demonstration.path_of("one-station.toml")
    networks.bring_network(database, own.read_text(encoding="utf-8"), own.name)
    with pytest.raises(ConfigError, match="another directory"):
        demonstration.begin(database, NOW_MS)
    database.close()


def test_the_demo_day_is_kept(begun: tuple[Database, Scene]) -> None:
    database, scene = begun
    again = demonstration.begin(database, NOW_MS + 3 * DAY_MS)
    assert again.begun_ms == scene.begun_ms == NOW_MS


def test_every_site_stands_as_if_it_had_been_polled(begun: tuple[Database, Scene]) -> None:
    database, scene = begun
    known = site_states(database, scene)
    assert len(known) == 23
    behind = {"saddle-repeater", "far-lateral", "yarrow-turnout", "cress-spring"}
    failed = {key for key, state in known.items() if state.status is SiteStatus.COMM_FAIL}
    assert failed == behind
    silent_ms = NOW_MS - (3 * 60 + 10) * 60_000
    saddle = known["saddle-repeater"]
    assert saddle.first_miss_ms is not None
    assert 0 <= saddle.first_miss_ms - silent_ms < 60_000
    assert saddle.last_answer_ms is not None
    assert all(words is not None for words in saddle.block_words)
    for key, state in known.items():
        assert state.last_poll_ms is not None
        assert NOW_MS - state.last_poll_ms <= 15 * 60_000, key


def test_what_people_wrote_down_is_there(begun: tuple[Database, Scene]) -> None:
    database, scene = begun
    ids = {site.site.key: site.site_id for _, site in scene.sites}
    with database.reading() as conn:
        (pause,) = episodes.between(conn, NOW_MS, NOW_MS + 1, kind="not-polled")
        (away,) = episodes.between(conn, 0, NOW_MS, kind="gateway")
        (garbled,) = notes.of_site(conn, ids["upper-weir"])
    assert pause.site_id == ids["teal-pond"]
    assert pause.planned_end_ms is not None
    assert away.to_ms is not None
    assert away.to_ms - away.from_ms == 47 * 60_000
    assert "unit address 3" in garbled.text


def test_the_last_of_history_and_the_first_live_value_are_of_one_station(
    begun: tuple[Database, Scene],
) -> None:
    _, scene = begun
    for gateway, plan in scene.sites:
        if plan.site.key in ("teal-pond", "saddle-repeater") or plan.site.via:
            continue
        past = Past(scene.world, plan.site, plan.layout, gateway.gateway.slow_every_s)
        columns = past.polls(NOW_MS - 15 * 60_000, NOW_MS)
        row = int(np.flatnonzero(columns.got)[-1])
        world = scene.world
        station = Station(plan.site, SiteModel(world.network, plan.site, world.seed, world.faults))
        place = 0
        for n, block in enumerate(plan.layout.blocks):
            told = columns.words[row, place : place + block.words].tolist()
            place += block.words
            if block.poll is PollClass.SLOW or not columns.got[row] >> n & 1:
                continue
            live = station.read(block.table, block.start, block.count, columns.at_ms[row] / 1000)
            if block.table.holds_bits:
                live = [
                    sum(bit << k for k, bit in enumerate(live[at : at + 16]))
                    for at in range(0, len(live), 16)
                ]
            assert told == live, (plan.site.key, block)


def test_started_again_it_fills_the_gap_and_nobody_was_out(begun: tuple[Database, Scene]) -> None:
    database, scene = begun
    later = NOW_MS + 30 * HOUR_MS
    again = demonstration.begin(database, later)
    demonstration.join(database, again, later)
    known = site_states(database, scene)
    for key in ("quill-tank", "kestrel-pad", "sedge-well", "fennel-dosing"):
        assert known[key].status is SiteStatus.IN_SERVICE
        assert known[key].last_poll_ms is not None
        assert later - known[key].last_poll_ms < 120_000
    # The newest day is there at once; six hours and the days before the first start are left.
    left = demonstration.pieces(database)
    assert left[0].to_ms == later - DAY_MS
    assert sum(one.to_ms - one.from_ms for one in left) == pytest.approx(
        6 * HOUR_MS + (NOW_MS - DAY_MS) - (NOW_MS // DAY_MS - 60) * DAY_MS, abs=15 * 60_000
    )
    (done,) = demonstration.fill(database, left[:1])
    assert done == 1
    with database.reading() as conn:
        ids = {site.site.key: site.site_id for _, site in scene.sites}
        counted = comms.counts(conn, NOW_MS, later)
    hours = (later - NOW_MS) / HOUR_MS
    asked = counted[ids["kestrel-pad"]]
    assert asked.asked == pytest.approx(60 * hours, rel=0.06)
    assert asked.answered / asked.asked > 0.99


def test_older_days_are_written_newest_first_and_resumed(begun: tuple[Database, Scene]) -> None:
    database, scene = begun
    before = demonstration.pieces(database)
    ends = [one.to_ms for one in before]
    assert ends == sorted(ends, reverse=True)
    filling = demonstration.fill(database, before)
    next(filling)
    filling.close()  # as if it were killed here
    assert demonstration.pieces(database) == before[1:]
    with database.reading() as conn:
        known = nights.known_days(conn, 0)
    ids = {site.site.key: site.site_id for _, site in scene.sites}
    assert known[ids["quill-tank"]]


# --- people change the demo's network, and start it again ---------------------------------


@pytest.fixture
def changed(tmp_path: Path) -> Iterator[tuple[Database, dict[str, int]]]:
    """A demo whose network people have changed; and the ids its sites had before."""
    database = open_database(tmp_path / "tallymast.sqlite3")
    scene = demonstration.begin(database, NOW_MS)
    ids = {site.site.key: site.site_id for _, site in scene.sites}
    with database.reading() as conn:
        written = dict(stored_network.load_written(conn))
    sites = {one["key"]: dict(one) for one in written["site"]}
    del sites["rook-valve"]
    sites["quill-tank"] |= {"key": "quill", "name": "Quill"}  # renamed
    sites["hob-gate"] |= {"unit": 77}  # asks an address where nobody is
    sites["tern-flat"] |= {"gateway": "long-scarp", "unit": 78}  # and behind the other mast
    sites["vetch-water"] |= {"profile": "meter", "point": []}  # asks for what it does not have
    sites["scarp-drip"] |= {"in_service": False}
    bench = {**sites["gannet-turnout"], "key": "bench", "name": "Bench", "unit": 19}
    written["site"] = [*sites.values(), bench]
    written["time_zone"] = "America/Chicago"
    written["gateway"] = [
        {**one, "name": "The mast"} if one["key"] == "marrowdun" else one
        for one in written["gateway"]
    ]
    network = network_file.build(written, "a form")
    with database.writing() as conn:
        stored_network.store_network(
            conn,
            written,
            network,
            actor="ada",
            source="form",
            at_ms=NOW_MS,
            renamed=(Rename("site", "quill-tank", "quill"),),
        )
    yield database, ids
    database.close()


def test_a_changed_demo_starts_again_and_its_stations_have_their_past(
    changed: tuple[Database, dict[str, int]],
) -> None:
    database, ids = changed
    again = demonstration.begin(database, NOW_MS + HOUR_MS)
    demonstration.join(database, again, NOW_MS + HOUR_MS)
    filled = {site.site_id for _, site in again.sites}
    asks_nobody = {"rook-valve", "hob-gate", "tern-flat", "vetch-water"}
    assert filled == {number for key, number in ids.items() if key not in asks_nobody}
    with database.reading() as conn:
        known = states.load_site_states(conn)
        written = stored_network.load_written(conn)
    assert "bench" in {one["key"] for one in written["site"]}  # what people changed stays theirs
    quill = known[ids["quill-tank"]]
    assert quill.status is SiteStatus.IN_SERVICE  # the renamed site is the same station
    assert ids["scarp-drip"] not in known  # out of service: nobody asked it
    assert ids["hob-gate"] not in known
    assert again.network.time_zone == "America/Chicago"
    told = as_of(database, again, NOW_MS + HOUR_MS).services  # the round of a day gone by
    assert told.network().title == "Ombrel Basin Water and Lease District"
    assert set(told.live.sites()) == filled - {ids["scarp-drip"], ids["teal-pond"]}


def test_a_demo_without_its_gateways_starts_again_and_stays_empty(
    changed: tuple[Database, dict[str, int]],
) -> None:
    database, _ = changed
    text = 'title = "Nothing"\ntime_zone = "UTC"\n'
    networks.change_network(database, text, "a form")
    again = demonstration.begin(database, NOW_MS + HOUR_MS)
    demonstration.join(database, again, NOW_MS + HOUR_MS)
    assert again.sites == []
    assert again.plan.gateways == ()
    assert list(demonstration.fill(database, demonstration.pieces(database)[:1])) == [1]
    assert demonstration.states_at(again, NOW_MS) == []


def test_a_network_somebody_has_just_begun_is_left_alone(tmp_path: Path) -> None:
    database = open_database(tmp_path / "tallymast.sqlite3")
    networks.begin_network(database)
    with pytest.raises(ConfigError, match="another directory"):
        demonstration.begin(database, NOW_MS)
    assert networks.load_network(database)[1].gateways == ()
    database.close()


def test_the_stations_on_the_bench_answer_and_nobody_has_entered_them(
    begun: tuple[Database, Scene],
) -> None:
    database, scene = begun
    path = demonstration.path_of(demonstration.NETWORK)
    both = running.with_spare(scene.world.network, path, demonstration.path_of(demonstration.SPARE))
    spare = {site.key: site for site in both.sites}
    more = set(spare) - {site.key for site in scene.world.network.sites}
    assert more == {"bench-station", "second-bench-station"}
    bench = spare["bench-station"]
    assert (bench.gateway, bench.unit, bench.profile) == ("marrowdun", 19, "meter")
    station = Station(bench, SiteModel(both, bench, scene.world.seed, scene.world.faults))
    assert station.read(Table.INPUT, 10, 1, NOW_MS / 1000)[0] > 100  # tenths of a volt
    with database.reading() as conn:
        written = stored_network.load_written(conn)
    assert not more & {one["key"] for one in written["site"]}
    assert not [one for one in written["site"] if one["unit"] in (19, 33)]

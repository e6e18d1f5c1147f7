"""The keeper of volumes on the demo's own story: Hobby Pad's counter restarted twice."""

from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tallymast import assets, networks
from tallymast.domain import network_file
from tallymast.domain.record.days import day_of
from tallymast.domain.totals.model import StepKind
from tallymast.domain.totals.wording import event_words, known_words
from tallymast.routes.services import NetworkView
from tallymast.simulator.fault_file import read_faults
from tallymast.simulator.history import Past, World
from tallymast.simulator.radio_path import LIVELY
from tallymast.storage import volume_hours, volumes
from tallymast.storage.days import load_contract
from tallymast.storage.engine import Database, open_database
from tallymast.storage.history import store_day
from tallymast.storage.volume_keeping import counted_points
from tallymast.volume_keeper import VolumeKeeper

ZONE = ZoneInfo("America/Denver")
NOW = datetime(2026, 11, 25, 8, 2, tzinfo=ZONE)


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    with closing(open_database(tmp_path / "volumes.sqlite3")) as opened:
        yield opened


def ms(at: datetime) -> int:
    return round(at.timestamp() * 1000)


def clock(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(ZONE).strftime("%H:%M")


def hobby_pad(database: Database) -> NetworkView:
    """Put five days of Hobby Pad's polls into a database, the demo's troubles in them."""
    path = assets.demo_data() / "ombrel-basin.toml"
    troubles = path.with_name("ombrel-basin-troubles.toml")
    networks.bring_network(database, path.read_text("utf-8"), path.name)
    network, plan = networks.load_network(database)
    _, whole = network_file.read(path.read_text("utf-8"), path.name)
    faults = read_faults(troubles.read_text("utf-8"), troubles.name, whole, ms(NOW))
    view = NetworkView(network, plan)
    site = view.site("hobby-pad")
    assert site is not None
    past = Past(World(network, 1, faults, LIVELY), site.site, site.layout)
    for columns in past.days(ms(NOW) - 5 * 86_400_000, ms(NOW)):
        store_day(database, site.site_id, site.layout, columns)
    return view


def test_hobby_pad_tells_both_restarts_and_what_is_unknown(database: Database) -> None:
    view = hobby_pad(database)
    VolumeKeeper(database, lambda: view, lambda: ms(NOW), 0.0).look()
    site = view.site("hobby-pad")
    assert site is not None
    with database.reading() as conn:
        contract = load_contract(conn)
        gateway = view.gateway_of(site.site_id).gateway
        total = next(one for one in counted_points(conn, gateway, site) if one.point.tag == "TOT1")
        some = volume_hours.events(conn, total.point_id, ms(NOW) - 4 * 86_400_000, ms(NOW))
        first, second = [one for one in some if one.step.kind is StepKind.RESET]
        day = day_of(first.from_ms, contract)
        (booked,) = volumes.booked(conn, total, [(day.start_ms, day.end_ms)], contract)
    # 48 112 -> 7 about 02:14 to 02:55 three days ago; 23:50 to 23:56 yesterday.
    # The last poll before it may be a minute old: at most 120 pulses less.
    assert 48_112 - 120 <= first.before <= 48_112
    assert 7 <= first.after <= 7 + 120
    began, ended = (NOW - timedelta(days=3)).replace(hour=2, minute=14), 41
    assert abs(first.from_ms - ms(began)) < 120_000
    # A silent site is probed every 5 min at the latest, so its first answer may come so late.
    assert 0 <= first.to_ms - ms(began) - ended * 60_000 < 300_000 + 60_000
    # At most 2 Hz: 4 920 pulses in 41 min, and what the polls round it do not show: up to a
    # minute before it, and after it until a probe finds the station back.
    assert first.step.unknown == 2 * (first.to_ms - first.from_ms) / 1000
    assert 4920 <= first.step.unknown <= 4920 + 2 * 420
    assert second.step.unknown is not None
    assert 720 <= second.step.unknown <= 720 + 2 * 420
    assert known_words(booked.counted) == "97\u00a0% of the day is known"
    told = event_words(first, clock)
    assert told.startswith("counter restarted 02:1")
    assert told.endswith("pulses unknown")
    assert booked.volume is not None
    assert booked.volume.unit == "m³"


def test_a_keeper_that_runs_ends_when_it_is_told_to(database: Database) -> None:
    networks.begin_network(database)
    view = NetworkView(*networks.load_network(database))
    keeper = VolumeKeeper(database, lambda: view, lambda: ms(NOW))
    keeper.start()
    keeper.stop()
    assert not keeper.is_alive()

"""The demo's register: of every site, in trade words, and once."""

from collections.abc import Iterator

import pytest

from tallymast import assets, networks
from tallymast.demo import life as demo_life
from tallymast.domain.life.part_words import part_words
from tallymast.domain.life.parts import KINDS
from tallymast.domain.model import PollPlan
from tallymast.routes.life.as_reported import disagreements, towards
from tallymast.routes.services import NetworkView
from tallymast.storage import hand_readings, hardware, tasks
from tallymast.storage.engine import Database, open_database

NOW_MS = 1_772_964_000_000  # 2026-03-08 10:00 UTC


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    made = open_database(tmp_path_factory.mktemp("life") / "demo.sqlite3")
    text = (assets.demo_data() / "ombrel-basin.toml").read_text(encoding="utf-8")
    networks.bring_network(made, text, "ombrel-basin.toml")
    assert demo_life.furnish(made, networks.load_network(made)[1], NOW_MS, "America/Denver")
    yield made
    made.close()


@pytest.fixture
def plan(database: Database) -> PollPlan:
    return networks.load_network(database)[1]


def test_each_of_the_sites_has_a_station_a_radio_and_a_way_into_the_air(
    database: Database, plan: PollPlan
) -> None:
    serials = []
    for site in (site for gateway in plan.gateways for site in gateway.sites):
        with database.reading() as conn:
            parts = hardware.fitted(conn, site.site_id)
        kinds = {one.kind for one in parts}
        assert {"station", "radio", "antenna", "feedline", "arrester"} <= kinds, site.site.key
        assert kinds <= set(KINDS)
        serials += [one.serial for one in parts if one.kind == "station"]
    assert len(set(serials)) == len(serials) == 24


def test_its_antennas_look_where_the_network_says(database: Database) -> None:
    network = NetworkView(*networks.load_network(database))
    for plan in network.sites:
        with database.reading() as conn:
            parts = hardware.fitted(conn, plan.site_id)
        assert disagreements(plan, parts, None, towards(network, plan)) == (), plan.site.key


def test_a_yagi_is_told_in_trade_words(database: Database, plan: PollPlan) -> None:
    (rook,) = [s for g in plan.gateways for s in g.sites if s.site.key == "rook-valve"]
    with database.reading() as conn:
        (antenna,) = [one for one in hardware.fitted(conn, rook.site_id) if one.kind == "antenna"]
    # Rook Valve lies at 318 degrees from its mast, so the mast at 318 - 180 = 138 from there.
    assert part_words(antenna).endswith("bearing 138° true")


def test_spares_tasks_and_a_hand_reading_are_there_and_only_once(
    database: Database, plan: PollPlan
) -> None:
    assert not demo_life.furnish(database, plan, NOW_MS, "America/Denver")
    quill = plan.gateways[0].sites[0]
    with database.reading() as conn:
        assert {"radio", "station", "battery", "fuse"} <= {
            one.kind for one in hardware.in_store(conn)
        }
        due = [one for one in tasks.standing(conn) if one.due_day <= 20_520]  # 2026-03-08
        (read,) = hand_readings.of_site(conn, quill.site_id)
    assert [one.what for one in due] == ["Calibrate level transmitter", "Load test of the battery"]
    assert abs(read.hand - read.shown) < 0.12  # a station's meter errs by 1 %

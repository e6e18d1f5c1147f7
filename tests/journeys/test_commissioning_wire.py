"""From nothing to a station that was found: real programs, real sockets, no restart in between."""

import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

import httpx
import pytest
from tests.journeys.conftest import READY, STREAM_LIMIT_S, Command, watch
from tests.journeys.test_change import NETWORK, SITE

from tallymast import assets
from tallymast.domain import network_file
from tallymast.domain.model import Job, JobState
from tallymast.networks import change_network
from tallymast.storage import jobs
from tallymast.storage import network as stored_network
from tallymast.storage.engine import Database, open_database
from tallymast.storage.schema import gateway, site

DEMO = assets.demo_data() / "ombrel-basin.toml"
SPARE = assets.demo_data() / "ombrel-basin-spare.toml"

# What the profiles of the demo read, by hand from its file: a meter has no coils, a tank no
# discrete inputs and no holding register 100.
METER = [["input", 0, 13], ["discrete", 0, 2], ["holding", 100, 1]]
TANK = [["input", 0, 7], ["coil", 0, 2]]


class World:
    """A served network, and its database to ask for work in."""

    def __init__(self, base: str, database: Database) -> None:
        self.base = base
        self.database = database

    def number(self, key: str) -> int:
        table = gateway if key == "marrowdun" else site
        with self.database.reading() as conn:
            rows = conn.execute(table.select().where(table.c.key == key)).all()
        return int(rows[0].id)

    def ask(self, kind: str, params: Mapping[str, Any], key: str = "marrowdun") -> int:
        where = {"site_id" if kind == "link-test" else "gateway_id": self.number(key)}
        with self.database.writing() as conn:
            return jobs.ask(conn, kind, actor="ada", at_ms=0, params=params, **where).id

    def job(self, number: int) -> Job:
        with self.database.reading() as conn:
            found = jobs.job(conn, number)
        assert found is not None
        return found

    def rows(self, number: int) -> list[Mapping[str, Any]]:
        with self.database.reading() as conn:
            return jobs.rows(conn, number)

    def count(self, query: str) -> int:
        """Count in the file, by nothing of ours."""
        with closing(sqlite3.connect(self.database.file or "")) as connection:
            return int(connection.execute(query).fetchone()[0])

    def ended(self, number: int) -> Job:
        """Wait until a job has ended."""
        over = (JobState.DONE, JobState.FAILED)
        self.wait(lambda: self.job(number).state in over)
        return self.job(number)

    def wait(self, is_reached: Callable[[], bool]) -> None:
        """Ask after every event of the gateway's page, which tells of every exchange."""
        address = f"{self.base}/stream/gateways/marrowdun"
        with httpx.stream("GET", address, timeout=STREAM_LIMIT_S) as stream:
            for line in stream.iter_lines():
                if not line and is_reached():
                    return
        raise AssertionError("the stream ended before it happened")


@pytest.fixture
def world(run: Callable[..., Command], tmp_path: Path) -> Iterator[World]:
    """One site of the demo's, and two stations on the bench that nobody has entered."""
    file = tmp_path / "network.toml"
    written = network_file.parse(DEMO.read_text(encoding="utf-8"), DEMO.name)
    written["gateway"] = [one for one in written["gateway"] if one["key"] == "marrowdun"]
    written["site"] = [one for one in written["site"] if one["key"] == "gannet-turnout"]
    file.write_text(network_file.dump(written), encoding="utf-8")
    radio = run("simulate", "--network", file, "--spare", SPARE, "--any-port")
    written["gateway"][0]["address"] = radio.wait_for("marrowdun listens at ")
    radio.wait_for("ready")
    file.write_text(network_file.dump(written), encoding="utf-8")
    served = run("serve", "--network", file, "--data-dir", tmp_path, "--port", "0")
    base = served.wait_for(READY)
    database = open_database(tmp_path / "tallymast.sqlite3", create=False)
    yield World(base, database)
    database.close()
    assert served.stop() == 0


def test_a_station_on_the_bench_is_found_tried_and_tested(
    world: World,
) -> None:
    profiles = {"meter": METER, "tank": TANK}
    units = [18, 19, 33]
    scan = world.ask("scan", {"units": units, "profiles": profiles, "timeout_s": 0.3})
    reading = [["input", 10, 1], ["coil", 0, 1]]
    tried = world.ask("try", {"unit": 19, "blocks": reading})
    link = world.ask("link-test", {"polls": 6}, "gannet-turnout")

    done = world.ended(scan)
    assert done.result == "3 of 3 addresses asked, 2 answered: 19, 33."
    nobody, bench, second = world.rows(scan)
    assert (nobody["unit"], nobody["heard"], nobody["profiles"]) == (18, "silence", {})
    assert (bench["unit"], bench["heard"], bench["site"]) == (19, "answer", None)
    assert bench["profiles"]["meter"] == {"asked": 3, "answered": 3}
    assert bench["profiles"]["tank"]["answered"] < 2
    assert second["profiles"]["tank"] == {"asked": 2, "answered": 2}
    assert second["profiles"]["meter"]["answered"] < 3
    # 13 registers at 9600 baud 8N1 and 20 ms of turnaround: 8 + 31 characters of 1.04 ms, two
    # silences of 3.6 ms and the turnaround make 68 ms at least.
    assert 60.0 < bench["ms"] < 300.0

    assert world.ended(tried).result == "Unit 19: 2 of 2 blocks asked, 1 answered, 1 refused."
    volts, coil = world.rows(tried)
    assert 100 < int(volts["words"], 16) < 160  # tenths of a volt of a 12 V battery
    assert (coil["heard"], coil["code"], coil["words"]) == ("refusal", 2, None)

    said = world.ended(link).result
    assert said.startswith("Gannet Turnout: 6 of 6 polls answered, 6 at the first try; ")
    flagged = f"SELECT count(*) FROM poll WHERE site_id = {world.number('gannet-turnout')}"
    flagged += " AND flags & 2"  # the last of them is stored within a second
    world.wait(lambda: world.count(flagged) == 6)
    assert world.count("SELECT count(*) FROM poll WHERE outcome > 1") == 0  # nobody's poll suffered
    assert world.count("SELECT count(*) FROM site") == 1
    assert "scan " in httpx.get(f"{world.base}/gateways/marrowdun").text  # its airtime

    number = world.ask("scan", {"units": list(range(60, 248)), "timeout_s": 0.1})
    world.wait(lambda: len(world.rows(number)) >= 3)
    with world.database.writing() as conn:
        assert jobs.ask_stop(conn, number, 0)
    done, found = world.ended(number), world.rows(number)
    assert done.state is JobState.DONE
    said = f"Stopped by hand: {len(found)} of 188 addresses asked, none answered."
    assert done.result == said
    assert done.progress == pytest.approx(len(found) / 188)
    assert [row["unit"] for row in found] == list(range(60, 60 + len(found)))


def test_a_newcomer_begins_with_nothing_but_a_browser(
    run: Callable[..., Command], tmp_path: Path
) -> None:
    served = run("serve", "--data-dir", tmp_path, "--port", "0")
    base = served.wait_for(READY)
    served.wait_for(f"There is no network yet: begin at {base}/setup")
    with httpx.Client(base_url=base, follow_redirects=True) as client:
        for path in ("/", "/setup", "/gateways", "/healthz", "/api/v1/gateways"):
            assert client.get(path).status_code == 200, path
        page = client.get("/").text
        assert "No site yet: enter the first gateway under <a href" in page
        assert "/setup" in page
        assert client.get("/api/v1/sites").json() == []
    radio_file = tmp_path / "radio.toml"
    radio_file.write_text(two_masts("127.0.0.1:1", "127.0.0.1:2", "near", extra=True), "utf-8")
    radio = run("simulate", "--network", radio_file, "--any-port")
    near, far = radio.wait_for("near listens at "), radio.wait_for("far listens at ")
    database = open_database(tmp_path / "tallymast.sqlite3", create=False)

    def newest(client: httpx.Client) -> dict[str, Any]:
        found: dict[str, Any] = client.get("/api/v1/sites/two").json()
        return found

    change_network(database, two_masts(near, far, "near"), "a form")
    watch(base, lambda client: bool(newest(client).get("last_answer_at")))
    with httpx.Client(base_url=base) as client:
        at = newest(client)["last_answer_at"]
        change_network(database, two_masts(near, far, "far", name="Two, renamed"), "a form")
        watch(base, lambda client: newest(client)["gateway"] == "far")
        moved = newest(client)["last_answer_at"]
        assert moved >= at  # it is never unknown meanwhile
        watch(base, lambda client: newest(client)["last_answer_at"] > moved)
        assert newest(client)["name"] == "Two, renamed"
    assert served.stop() == 0
    with database.reading() as conn:
        assert stored_network.revision(conn) == 3
    world = World(base, database)
    assert world.count("SELECT count(*) FROM poll WHERE outcome > 1") == 0
    assert world.count("SELECT count(*) FROM site WHERE key = 'two'") == 1
    database.close()


def two_masts(near: str, far: str, behind: str, *, name: str = "Two", extra: bool = False) -> str:
    """Return a network of two masts; site two lies behind one of them, its stations behind both."""
    text = NETWORK.format(transport="rtu-over-tcp", address=near)
    second = f"""
[[gateway]]
key = "far"
name = "Far"
transport = "rtu-over-tcp"
address = "{far}"
min_gap_ms = 0
"""
    text = text.replace('key = "mast"', 'key = "near"')
    text = text.replace("[[profile]]", f"{second}[[profile]]")
    sites = [("one", "One", 1, "near"), ("two", name, 2, behind), ("three", "Three", 3, "far")]
    if extra:
        sites.append(("two-again", "Two again", 2, "far"))
    return text + "".join(
        SITE.format(key=key, name=said, unit=unit, more="").replace(
            'gateway = "mast"', f'gateway = "{mast}"'
        )
        for key, said, unit, mast in sites
    )

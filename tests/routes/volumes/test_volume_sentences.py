"""The demo's own stories on the pages of volumes, and how pumps ran."""

import re
from contextlib import closing
from pathlib import Path

from starlette.testclient import TestClient
from tests.routes.conftest import begin
from tests.routes.orders.pump_world import NETWORK
from tests.routes.volumes.test_volume_pages import text_of
from tests.test_volume_keeper import NOW, hobby_pad, ms

from tallymast.domain.model import Outcome
from tallymast.live import Live
from tallymast.routes.app import create_app
from tallymast.routes.services import PollerCondition, Services
from tallymast.storage.engine import open_database
from tallymast.storage.writer import StorageStatus
from tallymast.volume_keeper import VolumeKeeper


def test_hobby_pads_restart_reads_as_its_story_says(tmp_path: Path) -> None:
    with closing(open_database(tmp_path / "volumes.sqlite3")) as database:
        view = hobby_pad(database)
        VolumeKeeper(database, lambda: view, lambda: ms(NOW), 0.0).look()
        services = Services(
            database=database,
            live=Live(),
            network=lambda: view,
            now_ms=lambda: ms(NOW),
            version="0.0-test",
            storage_condition=lambda: StorageStatus("ok", 0, 0, 0),
            poller_condition=lambda: PollerCondition("polling"),
            hosts=("testserver",),
        )
        told = text_of(TestClient(create_app(services)), "/volumes")
    # Three days ago 02:14 to 02:55, found by polls a minute apart before it and up to 6 min after
    # it; at most 2 pulses a second; 41 to 48 min of 1 440 are 97 % known.
    found = re.search(
        r"Hobby Pad 3 days ago: counter restarted 02:1[34]–0(2:5[5-9]|3:0[01]); "
        r"0 to (\d) (\d{3}) pulses unknown; 97 % of the day is known\.",
        told,
    )
    assert found is not None, told
    assert 4920 <= int(found[2] + found[3]) <= 4920 + 2 * 420
    assert "Hobby Pad yesterday: counter restarted 23:" in told


def test_a_pump_told_by_polls_has_its_gap_and_may_have_missed_starts(tmp_path: Path) -> None:
    world = begin(tmp_path, NETWORK)
    begin_ms = world.now_ms - 2 * 3_600_000
    minute = 60_000
    # On from 10 to 30 min and from 90 min on: 20 + 30 min; nobody answered from 40 to 80 min,
    # nor before, today's contract day began 3 h ago.
    made = []
    for n in range(121):
        outcome = Outcome.NO_ANSWER if 40 <= n < 80 else Outcome.FIRST_TRY
        runs = 10 <= n < 30 or n >= 90
        made.append((begin_ms + n * minute, outcome, bytes((0, runs, 0, 0))))
    world.polls("dunlin-booster", made)
    told = text_of(TestClient(create_app(world.services())), "/run-hours")
    world.database.close()
    assert re.search(r"50 min to \d+ h( \d+ min)? at least 2 starts", told), told[:900]
    assert "may be missed" in told


_POINT = """[[profile.point]]
  tag = "{tag}"
  name = "{name}"
  kind = "{kind}"
  table = "holding"
  register = {register}
"""
_RUN2 = _POINT.format(
    tag="RUN2", name="Pump 2 running", kind="discrete-input", register="0\n  bit = 3"
)
_STARTS = _POINT.format(tag="STARTS", name="Motor starts", kind="counter", register=1)
_GATE_STARTS = _POINT.format(tag="STARTS", name="Starts", kind="counter", register=0)
TWO_PUMPS = (
    NETWORK.replace('name = "Running"', 'name = "Pump 1 running"')
    .replace('name = "Pump"', 'name = "Start pump 1"')
    .replace('[[profile]]\nkey = "gate"', f'{_RUN2}{_STARTS}[[profile]]\nkey = "gate"')
    .replace('key = "gate"', f'key = "gate"\n{_GATE_STARTS}')
)


def test_each_of_several_pumps_has_its_row_and_what_fits_none_is_said(tmp_path: Path) -> None:
    world = begin(tmp_path, TWO_PUMPS)
    minute, begin_ms = 60_000, world.now_ms - 190 * 60_000
    # Today began at 07:00, ten minutes after the first poll. Pump 1 runs 07:10 to 07:30, pump 2
    # 07:30 to 08:30; both were seen every minute.
    made = []
    for n in range(191):
        state = (20 <= n < 40) + 8 * (40 <= n < 100)
        made.append((begin_ms + n * minute, Outcome.FIRST_TRY, bytes((0, state, 0, 5))))
    world.polls("dunlin-booster", made)
    counts = [(at, outcome, bytes((0, 9 + n // 60))) for n, (at, outcome, _) in enumerate(made)]
    world.polls("hob-gate", counts)
    client = TestClient(create_app(world.services()))
    told, at_site = text_of(client, "/run-hours"), text_of(client, "/sites/dunlin-booster")
    volumes = text_of(client, "/volumes")
    world.database.close()
    assert "Dunlin Booster, Pump 1 polled state of Pump 1 running" in told
    assert re.search(r"Pump 1 running [^.]*\. 20 min 1 start ", told), told
    assert re.search(r"Pump 2 running [^.]*\. 1 h 1 start ", told), told
    assert "Dunlin Booster, both pumps together hours added up 1 h 20 min 2 starts " in told
    out = "Motor starts is left out: it does not say of which pump it is."
    assert f"Dunlin Booster : {out}" in told
    assert out in at_site
    assert "Both pumps together hours added up 1 h 20 min 2 starts " in at_site
    assert "Motor starts" not in volumes
    assert "Hob Gate count of starts alone time unknown 3 starts " in told

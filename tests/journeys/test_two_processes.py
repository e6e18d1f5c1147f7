"""Poller and pages as two programs on one database; ends and restarts lose nothing."""

import os
import signal
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import httpx
import pytest
from tests.journeys.conftest import READY, Command, watch

from tallymast import assets

DEMO = assets.demo_data() / "ombrel-basin.toml"


@pytest.fixture
def network(run: Callable[..., Command], tmp_path: Path) -> Path:
    """A network file whose gateways are a running simulator's."""
    radio = run("simulate", "--network", DEMO, "--any-port")
    text = DEMO.read_text(encoding="utf-8")
    for key, port in (("marrowdun", "5020"), ("long-scarp", "5021")):
        text = text.replace(f"127.0.0.1:{port}", radio.wait_for(f"{key} listens at "))
    radio.wait_for("ready")
    file = tmp_path / "network.toml"
    file.write_text(text, encoding="utf-8")
    return file


def polls(folder: Path) -> int:
    with closing(sqlite3.connect(folder / "tallymast.sqlite3")) as connection:
        return int(connection.execute("SELECT count(*) FROM poll").fetchone()[0])


def has_answered(key: str) -> Callable[[httpx.Client], bool]:
    return lambda client: bool(client.get(f"/api/v1/sites/{key}").json()["last_answer_at"])


def test_what_one_polls_the_other_shows(
    run: Callable[..., Command], network: Path, tmp_path: Path
) -> None:
    poller = run("serve", "--network", network, "--data-dir", tmp_path, "--role", "poller")
    poller.wait_for("Tallymast is polling.")
    web = run("serve", "--data-dir", tmp_path, "--role", "web", "--port", "0")
    base = web.wait_for(READY)
    watch(base, has_answered("dunlin-booster"))
    job = httpx.post(f"{base}/api/v1/sites/dunlin-booster/poll").json()["job"]
    watch(base, lambda client: client.get(f"/api/v1/jobs/{job}").json()["state"] == "done")
    said = httpx.get(f"{base}/api/v1/jobs/{job}").json()["result"]
    assert said.startswith("Dunlin Booster: answered at the first try in ")
    assert httpx.get(f"{base}/healthz").json()["poller"]["state"] == "elsewhere"
    assert web.stop() == 0
    assert poller.stop(signal.SIGTERM) == 0


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM], ids=["ctrl-c", "sigterm"])
def test_a_clean_end_stores_everything_and_a_restart_goes_on(
    run: Callable[..., Command], network: Path, tmp_path: Path, how: signal.Signals
) -> None:
    served = run("serve", "--network", network, "--data-dir", tmp_path, "--port", "0")
    base = served.wait_for(READY)
    watch(base, has_answered("sedge-well"))
    before = {
        site["key"]: site["polls_24h"]["asked"] for site in httpx.get(f"{base}/api/v1/sites").json()
    }
    assert served.stop(how) == 0
    assert polls(tmp_path) >= sum(before.values())
    assert not (tmp_path / "tallymast.sqlite3-wal").exists()  # emptied into the file
    again = run("serve", "--network", network, "--data-dir", tmp_path, "--port", "0")
    base = again.wait_for(READY)
    known = httpx.get(f"{base}/api/v1/sites/sedge-well").json()
    assert known["last_answer_at"] is not None
    assert known["points"][0]["value"] is not None
    assert again.stop() == 0


def test_a_killed_poller_begins_again_with_what_was_stored(
    run: Callable[..., Command], network: Path, tmp_path: Path
) -> None:
    served = run("serve", "--network", network, "--data-dir", tmp_path, "--port", "0")
    base = served.wait_for(READY)
    watch(base, has_answered("sedge-well"))
    os.kill(served.process.pid, signal.SIGKILL)
    served.process.wait(timeout=30)
    with closing(sqlite3.connect(tmp_path / "tallymast.sqlite3")) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    again = run("serve", "--data-dir", tmp_path, "--port", "0")
    watch(again.wait_for(READY), has_answered("sedge-well"))
    assert again.stop() == 0


def test_backup_and_restore_by_command(
    run: Callable[..., Command], network: Path, tmp_path: Path
) -> None:
    served = run("serve", "--network", network, "--data-dir", tmp_path, "--port", "0")
    watch(served.wait_for(READY), has_answered("quill-tank"))
    backup = run("backup", tmp_path / "copy.sqlite3", "--data-dir", tmp_path)
    backup.wait_for("The whole database is in ")
    assert backup.ended() == 0
    refused = run("restore", tmp_path / "copy.sqlite3", "--data-dir", tmp_path)
    assert "is in use" in refused.process.communicate(timeout=30)[1]
    assert refused.process.returncode == 3
    assert served.stop() == 0
    restored = run("restore", tmp_path / "copy.sqlite3", "--data-dir", tmp_path)
    restored.wait_for("copy.sqlite3 is now the database")
    assert restored.ended() == 0
    assert polls(tmp_path) > 0


def test_the_demo_shows_a_day_and_lives(run: Callable[..., Command], tmp_path: Path) -> None:
    demo = run("demo", "--data-dir", tmp_path, "--port", "0")
    base = demo.wait_for(READY)
    sites = {site["key"]: site for site in httpx.get(f"{base}/api/v1/sites").json()}
    assert len(sites) == 24
    assert sites["dunlin-booster"]["polls_24h"]["asked"] > 8000  # a day at 10 s
    watch(base, has_answered("dunlin-booster"))
    assert demo.stop() == 0
    again = run("demo", "--data-dir", tmp_path, "--port", "0")
    base = again.wait_for(READY)
    booster = httpx.get(f"{base}/api/v1/sites/dunlin-booster").json()
    assert booster["state"] == "in-service"  # the time between the two runs was no outage
    assert booster["polls_24h"]["missed"] < 0.01 * booster["polls_24h"]["asked"]
    assert again.stop() == 0


def test_history_is_filled_by_command_and_served(
    run: Callable[..., Command], network: Path, tmp_path: Path
) -> None:
    span = ("2026-03-08T07:00:00Z", "2026-03-08T10:00:00Z")
    filled = run(
        "simulate", "--network", network, "--data-dir", tmp_path, "--seed", "5", "--fill", *span
    )
    assert filled.ended() == 0
    served = run("serve", "--data-dir", tmp_path, "--role", "web", "--port", "0")
    base = served.wait_for(READY)
    asked = {"from": span[0], "to": span[1], "limit": 5000}
    items = httpx.get(f"{base}/api/v1/sites/quill-tank/polls", params=asked).json()["items"]
    assert len(items) == 720  # three hours at 15 s
    readings = httpx.get(
        f"{base}/api/v1/sites/quill-tank/points/LVL/readings",
        params={"from": span[0], "to": span[1], "resolution": "hour"},
    ).json()
    assert [item["n"] for item in readings["items"]] == [240, 240, 240]
    assert served.stop() == 0

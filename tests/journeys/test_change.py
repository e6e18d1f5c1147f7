"""The network changes while it is polled: nothing restarts, nothing is dropped."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import httpx
import pytest
from tests.journeys.conftest import READY, Command, watch

NETWORK = """
title = "Two wells"
time_zone = "UTC"

[[gateway]]
key = "mast"
name = "Mast"
transport = "{transport}"
address = "{address}"
min_gap_ms = 0

[[profile]]
key = "well"
  [[profile.point]]
  tag = "LVL"
  name = "Level"
  kind = "analog-input"
  table = "input"
  register = 0
  layout = "uint16"
  [[profile.point]]
  tag = "VBAT"
  name = "Supply voltage"
  kind = "supply-voltage"
  table = "input"
  register = 1
  layout = "uint16"
  raw = [0, 100]
  value = [0.0, 1.0]
  unit = "V"
"""
SITE = """
[[site]]
key = "{key}"
name = "{name}"
gateway = "mast"
unit = {unit}
profile = "well"
poll_every_s = 1
{more}
"""
EXTRA = """  [[site.point]]
  tag = "EXTRA"
  name = "A point the station does not have"
  kind = "analog-input"
  table = "input"
  register = 2
  layout = "uint16"
"""


def written(transport: str, address: str, *sites: tuple[str, int, str]) -> str:
    return NETWORK.format(transport=transport, address=address) + "".join(
        SITE.format(key=key, name=key.title(), unit=unit, more=more) for key, unit, more in sites
    )


@pytest.fixture(params=["rtu-over-tcp", "modbus-tcp"])
def radio(
    request: pytest.FixtureRequest, run: Callable[..., Command], tmp_path: Path
) -> tuple[str, str]:
    """A simulated gateway with three stations; its transport and address."""
    file = tmp_path / "radio.toml"
    stations = (("north", 1, ""), ("south", 2, ""), ("east", 3, ""))
    file.write_text(written(request.param, "127.0.0.1:5020", *stations), encoding="utf-8")
    command = run("simulate", "--network", file, "--any-port")
    address = command.wait_for("mast listens at ")
    command.wait_for("ready")
    return request.param, address


def site(client: httpx.Client, key: str) -> dict[str, object]:
    found: dict[str, object] = client.get(f"/api/v1/sites/{key}").json()
    return found


def test_an_imported_network_is_polled_without_a_restart(
    run: Callable[..., Command], radio: tuple[str, str], tmp_path: Path
) -> None:
    before, after = tmp_path / "before.toml", tmp_path / "after.toml"
    before.write_text(written(*radio, ("north", 1, ""), ("south", 2, "")), encoding="utf-8")
    after.write_text(written(*radio, ("north", 1, ""), ("east", 3, "")), encoding="utf-8")
    served = run("serve", "--network", before, "--data-dir", tmp_path, "--port", "0")
    base = served.wait_for(READY)
    watch(base, lambda client: bool(site(client, "south").get("last_answer_at")))
    imported = run("network", "import", after, "--data-dir", tmp_path)
    assert imported.ended() == 0
    watch(base, lambda client: bool(site(client, "east").get("last_answer_at")))
    assert httpx.get(f"{base}/sites/south").status_code == 404
    assert httpx.get(f"{base}/sites/east").status_code == 200
    assert served.stop() == 0
    with closing(sqlite3.connect(tmp_path / "tallymast.sqlite3")) as connection:
        lost = "SELECT count(*) FROM poll WHERE outcome > 1"
        assert connection.execute(lost).fetchone()[0] == 0


def test_a_register_the_station_lacks_takes_no_other_point_down(
    run: Callable[..., Command], radio: tuple[str, str], tmp_path: Path
) -> None:
    file = tmp_path / "network.toml"
    file.write_text(written(*radio, ("north", 1, EXTRA), ("south", 2, "")), encoding="utf-8")
    served = run("serve", "--network", file, "--data-dir", tmp_path, "--port", "0")
    base = served.wait_for(READY)

    def is_read(client: httpx.Client) -> bool:
        points = {one["tag"]: one for one in site(client, "north")["points"]}  # type: ignore[union-attr,index]
        return points["LVL"]["value"] is not None and points["VBAT"]["value"] is not None

    watch(base, is_read)
    page = httpx.get(f"{base}/").text
    assert "has no register for A point the station does not have (EXTRA)" in page
    points = {one["tag"]: one for one in httpx.get(f"{base}/api/v1/sites/north").json()["points"]}
    assert points["EXTRA"]["value"] is None
    assert served.stop() == 0

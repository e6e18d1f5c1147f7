"""A station whose protocol nobody here wrote answers, and page and API say what it holds."""

from collections.abc import Callable
from pathlib import Path

import httpx
import pytest
from tests.journeys.conftest import READY, Command, watch
from tests.journeys.stations import BAUD, UNIT, libmodbus_station, modbus_tk_station

NETWORK = f"""
title = "One foreign station"
time_zone = "UTC"

[[gateway]]
key = "mast"
name = "Mast"
transport = "rtu-over-tcp"
address = "127.0.0.1:PORT"
baud = {BAUD}

[[profile]]
key = "plain"
name = "Plain station"
  [[profile.point]]
  tag = "IN3"
  name = "Level"
  kind = "analog-input"
  table = "input"
  register = 3
  layout = "uint16"
  raw = [0, 2006]
  value = [0.0, 10.03]
  unit = "m"

  [[profile.point]]
  tag = "IN9"
  name = "Restarts"
  kind = "counter"
  table = "input"
  register = 9
  layout = "uint16"

  [[profile.point]]
  tag = "HOLD"
  name = "Set-point"
  kind = "analog-output"
  table = "holding"
  register = 2
  layout = "uint32"

  [[profile.point]]
  tag = "EVEN"
  name = "Even contact"
  kind = "discrete-input"
  table = "discrete"
  register = 4
  layout = "bool"

  [[profile.point]]
  tag = "ODD"
  name = "Odd contact"
  kind = "discrete-input"
  table = "discrete"
  register = 7
  layout = "bool"

[[site]]
key = "far-end"
name = "Far End"
gateway = "mast"
unit = {UNIT}
profile = "plain"
poll_every_s = 1
"""

# What tests/journeys/libmodbus/station.c and its modbus-tk twin hold, worked out by hand:
# input 3 is 1003 of 0..2006 counts for 0..10.03 m; holding 2 and 3 are 2002 and 2003,
# as a 32-bit number with the high word first 2002 * 65536 + 2003.
TRUTH = {"IN3": 5.015, "IN9": 1009, "HOLD": 131205075, "EVEN": True, "ODD": False}


def answered_three_times(client: httpx.Client) -> bool:
    return bool(client.get("/api/v1/sites/far-end").json()["polls_24h"]["answered"] >= 3)


@pytest.mark.parametrize(
    "station",
    [
        pytest.param(libmodbus_station, marks=pytest.mark.libmodbus, id="libmodbus"),
        pytest.param(modbus_tk_station, id="modbus-tk"),
    ],
)
def test_a_station_of_another_maker(
    station: Callable[[Path], object], run: Callable[..., Command], tmp_path: Path
) -> None:
    with station(tmp_path) as port:  # type: ignore[attr-defined]
        file = tmp_path / "network.toml"
        file.write_text(NETWORK.replace("PORT", str(port)), encoding="utf-8")
        served = run("serve", "--network", file, "--data-dir", tmp_path, "--port", "0")
        base = served.wait_for(READY)

        watch(
            base,
            lambda client: client.get("/api/v1/sites/far-end").json()["polls_24h"]["answered"] >= 3,
        )

        site = httpx.get(f"{base}/api/v1/sites/far-end").json()
        assert site["state"] == "in-service"
        assert site["polls_24h"]["missed"] == 0
        assert {point["tag"]: point["value"] for point in site["points"]} == pytest.approx(TRUTH)
        assert {point["quality"] for point in site["points"]} == {"good"}
        page = httpx.get(f"{base}/sites/far-end").text
        assert '<b class="calm">5.0\u00a0m</b>' in page  # no finer than a thousandth of 10.03 m
        assert "131205075" in page.replace(" ", "").replace("\u202f", "").replace(
            "\u00a0", ""
        ).replace(",", "")
        assert served.stop() == 0

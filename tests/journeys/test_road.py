"""Database, API and page agree, word for word, with the simulator's own record."""

import json
import signal
import sqlite3
import struct
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import httpx
import pytest
from tests.journeys.conftest import READY, Command, truth_of, watch

from tallymast import assets
from tallymast.domain import network_file

DEMO = assets.demo_data() / "ombrel-basin.toml"
POLLED = 23  # Teal Pond is out of season


def served_demo(run: Callable[..., Command], tmp_path: Path) -> tuple[Command, Command, str, Path]:
    """Start simulator and dashboard as two programs; return both, the address and the truth."""
    truth = tmp_path / "truth.jsonl"
    radio = run("simulate", "--network", DEMO, "--any-port", "--truth", truth, "--seed", "7")
    addresses = {}
    for key in ("marrowdun", "long-scarp"):
        addresses[key] = radio.wait_for(f"{key} listens at ")
    radio.wait_for("ready")
    network = tmp_path / "network.toml"
    text = DEMO.read_text(encoding="utf-8")
    network.write_text(
        text.replace("127.0.0.1:5020", addresses["marrowdun"]).replace(
            "127.0.0.1:5021", addresses["long-scarp"]
        ),
        encoding="utf-8",
    )
    served = run("serve", "--network", network, "--data-dir", tmp_path, "--port", "0")
    return radio, served, served.wait_for(READY), truth


def answered(client: httpx.Client) -> int:
    return sum(bool(site["last_answer_at"]) for site in client.get("/api/v1/sites").json())


def test_every_word_on_the_road_is_the_stations_own(
    run: Callable[..., Command], tmp_path: Path
) -> None:
    radio, served, base, truth_file = served_demo(run, tmp_path)
    watch(base, lambda client: answered(client) == POLLED)

    sites = {site["key"]: site for site in httpx.get(f"{base}/api/v1/sites").json()}
    assert len(sites) == 24
    assert sites["teal-pond"]["state"] == "not-polled"
    assert all(point["value"] is None for point in sites["teal-pond"]["points"])
    page = httpx.get(f"{base}/").text
    assert all(site["name"] in page for site in sites.values())

    assert served.stop(signal.SIGINT) == 0
    assert radio.stop(signal.SIGTERM) == 0
    truth = truth_of(truth_file)
    _, network = network_file.read(DEMO.read_text(encoding="utf-8"), DEMO.name)
    where = {site.key: (site.gateway, site.unit) for site in network.sites}
    stored = stored_blocks(tmp_path / "tallymast.sqlite3")
    assert {key for key, *_ in stored} == set(sites) - {"teal-pond"}
    for key, at_ms, table, start, words in stored:
        gateway, unit = where[key]
        told = [
            line["words"]
            for line in truth
            if (line["gateway"], line["unit"], line["table"], line["start"])
            == (gateway, unit, table, start)
            and abs(milliseconds(str(line["at"])) - at_ms) < 60_000
        ]
        assert words in told, f"{key} {table} {start}: stored {words}, the station said {told}"


def test_the_api_says_what_the_station_said(run: Callable[..., Command], tmp_path: Path) -> None:
    radio, served, base, truth_file = served_demo(run, tmp_path)
    watch(base, lambda client: answered(client) == POLLED)
    with httpx.Client(base_url=base) as client:
        polled = client.post("/api/v1/sites/quill-tank/poll")
        assert polled.status_code == 202
        job = polled.json()["job"]
        watch(base, lambda c: c.get(f"/api/v1/jobs/{job}").json()["state"] == "done")
        points = client.get("/api/v1/sites/quill-tank").json()["points"]
    assert served.stop() == 0
    assert radio.stop() == 0
    _, network = network_file.read(DEMO.read_text(encoding="utf-8"), DEMO.name)
    site = next(one for one in network.sites if one.key == "quill-tank")
    lines = [
        line
        for line in truth_of(truth_file)
        if (line["gateway"], line["unit"]) == (site.gateway, site.unit)
    ]
    checked = 0
    for shown in points:
        point = site.point(shown["tag"])
        assert point is not None
        if point.layout.value not in ("uint16", "int16") or point.bit is not None:
            continue
        said = {
            scaled(word(line, point.register, point.layout.value), point.raw, point.value)
            for line in lines
            if line["table"] == point.table.value
            and line["start"] <= point.register < line["start"] + line["count"]
        }
        assert any(shown["value"] == pytest.approx(value) for value in said), shown["tag"]
        checked += 1
    assert checked >= 3


def word(line: dict[str, object], register: int, layout: str) -> int:
    words = line["words"]
    assert isinstance(words, list)
    value = words[register - int(str(line["start"]))]
    return int(struct.unpack(">h" if layout == "int16" else ">H", struct.pack(">H", value))[0])


def scaled(raw: int, pair: tuple[float, float] | None, to: tuple[float, float] | None) -> float:
    # A straight line through two points, written out here so as not to use our own.
    if pair is None or to is None:
        return raw
    return to[0] + (raw - pair[0]) / (pair[1] - pair[0]) * (to[1] - to[0])


def milliseconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp() * 1000


def stored_blocks(file: Path) -> list[tuple[str, int, str, int, list[int]]]:
    """Return (site, at, table, start, words) of every block stored, read with nothing of ours."""
    connection = sqlite3.connect(file)
    rows = connection.execute(
        "SELECT site.key, poll.at_ms, poll.got, poll.words, layout.body FROM poll"
        " JOIN site ON site.id = poll.site_id JOIN layout ON layout.id = poll.layout_id"
        " WHERE poll.got > 0"
    ).fetchall()
    connection.close()
    found = []
    for key, at_ms, got, words, body in rows:
        place = 0
        for n, block in enumerate(json.loads(body)["blocks"]):
            if not got >> n & 1:
                continue
            is_bits = block["table"] in ("coil", "discrete")
            count = (block["count"] + 15) // 16 if is_bits else block["count"]
            part = words[place * 2 : (place + count) * 2]
            found.append(
                (
                    key,
                    at_ms,
                    block["table"],
                    block["start"],
                    list(struct.unpack(f">{count}H", part)),
                )
            )
            place += count
        assert place * 2 == len(words)
    return found

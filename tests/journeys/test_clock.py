"""A computer's clock runs three hours ahead and is put right while Tallymast polls."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
from tests.journeys.conftest import READY, Command, truth_of, watch
from tests.journeys.test_change import written
from tests.journeys.test_road import stored_blocks

AHEAD_S = 3 * 3600
DAY = timedelta(days=1)
SITES = (("north", 1, ""), ("south", 2, ""))


def ahead_s(client: httpx.Client, key: str) -> float:
    """Return how far a site's last answer lies ahead of this computer's clock [s]."""
    at = client.get(f"/api/v1/sites/{key}").json()["last_answer_at"]
    return 0.0 if at is None else (datetime.fromisoformat(at) - datetime.now(UTC)).total_seconds()


def around_now() -> dict[str, str]:
    now = datetime.now(UTC)
    return {"from": (now - DAY).isoformat(), "to": (now + DAY).isoformat()}


def stored_polls(client: httpx.Client, key: str) -> set[str]:
    answer = client.get(f"/api/v1/sites/{key}/polls", params=around_now())
    return {one["at"] for one in answer.json()["items"]}


def qualities(client: httpx.Client, key: str) -> set[str]:
    path = f"/api/v1/sites/{key}/points/LVL/readings"
    answer = client.get(path, params={**around_now(), "resolution": "raw"})
    return {one["quality"] for one in answer.json()["items"]}


def in_this_hour(polls: set[str]) -> bool:
    """Whether one of the polls is of the last hour by this computer's clock."""
    return any(datetime.fromisoformat(at) - datetime.now(UTC) < DAY / 24 for at in polls)


def test_a_clock_three_hours_ahead_is_put_right(
    run: Callable[..., Command], tmp_path: Path
) -> None:
    network, offset, truth = (tmp_path / name for name in ("net.toml", "offset", "truth.jsonl"))
    network.write_text(written("rtu-over-tcp", "127.0.0.1:5020", *SITES), encoding="utf-8")
    radio = run("simulate", "--network", network, "--any-port", "--truth", truth)
    address = radio.wait_for("mast listens at ")
    network.write_text(written("rtu-over-tcp", address, *SITES), encoding="utf-8")
    offset.write_text(f"{AHEAD_S}\n")
    served = run(
        *("serve", "--network", network, "--data-dir", tmp_path, "--port", "0"),
        *("--test-clock", offset),
    )
    base = served.wait_for(READY)

    def far_ahead(client: httpx.Client) -> bool:
        return all(
            ahead_s(client, key) > AHEAD_S / 2 and len(stored_polls(client, key)) > 1
            for key, *_ in SITES
        )

    watch(base, far_ahead)
    with httpx.Client(base_url=base) as client:
        for page in ("/", "/sites/north", "/gateways/mast"):
            shown = client.get(page)
            assert shown.status_code == 200
            assert "time on this page is 3 h ahead of this computer&#39;s" in shown.text, page
        assert qualities(client, "north") == {"good"}
        first = {key: stored_polls(client, key) for key, *_ in SITES}
        offset.write_text("0")

        def put_right(client: httpx.Client) -> bool:
            return all(
                abs(ahead_s(client, key)) < 60 and in_this_hour(stored_polls(client, key))
                for key, *_ in SITES
            )

        watch(base, put_right)
        page = client.get("/sites/north").text
        assert "Clock stepped" in page
        assert "clock was set back; both passes of the time are kept" in page
        assert "until its file moves it" in client.get("/").text
        # Both passes lie between the new time and the last poll before it.
        assert qualities(client, "north") == {"suspect"}
        for key, *_ in SITES:
            assert first[key] < stored_polls(client, key)
    assert served.stop() == 0
    assert radio.stop() == 0
    nothing_is_lost(tmp_path / "tallymast.sqlite3", truth)


def nothing_is_lost(file: Path, truth: Path) -> None:
    """Every answer that was served is stored but the last, which may have come to nobody."""
    stored = stored_blocks(file)
    for key, unit, _ in SITES:
        served = [one["words"] for one in truth_of(truth) if one["unit"] == unit]
        mine = [words for where, _, _, _, words in stored if where == key]
        assert len(served) - 1 <= len(mine) <= len(served)
        assert all(words in served for words in mine)
    with closing(sqlite3.connect(file)) as connection:
        steps = connection.execute(
            "SELECT to_ms - from_ms FROM episode WHERE kind = 'clock' ORDER BY site_id"
        ).fetchall()
    assert len(steps) == len(SITES)
    assert all(0 < AHEAD_S * 1000 - overlap_ms < 60_000 for (overlap_ms,) in steps)

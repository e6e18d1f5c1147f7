"""A file asked for over HTTP of a running program: made beside its pages, fetched, kept."""

import csv
import io
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import httpx
from tests.journeys.conftest import READY, Command, watch

from tallymast import assets, cli

DEMO = assets.demo_data() / "ombrel-basin.toml"
WANTED = {
    "sites": ["quill-tank"],
    "from": "2026-03-08T06:00:00Z",
    "to": "2026-03-08T09:00:00Z",
    "resolution": "raw",
    "format": "csv",
}


def test_a_file_is_made_beside_the_pages_and_survives_a_restart(
    run: Callable[..., Command], tmp_path: Path
) -> None:
    fill = ["--fill", "2026-03-08T06:00Z", "2026-03-08T09:00Z", f"--data-dir={tmp_path}"]
    assert cli.run(["simulate", f"--network={DEMO}", *fill]) == 0
    left = tmp_path / "exports" / "7.csv.unfinished"
    left.parent.mkdir()
    left.write_text("of a run that was killed")
    web = run("serve", "--data-dir", tmp_path, "--role", "web", "--port", "0")
    base = web.wait_for(READY)
    asked = httpx.post(f"{base}/api/v1/exports", json=WANTED)
    assert asked.status_code == 202
    job = asked.json()["job"]
    watch(base, lambda client: client.get(f"/api/v1/jobs/{job}").json()["state"] == "done")
    made = httpx.get(f"{base}/api/v1/exports/{job}")
    rows = list(csv.DictReader(io.StringIO(made.text, newline="")))
    # As the network file says: eleven points at each poll, every 15 s; the revision once an hour.
    assert len(rows) == 11 * 3 * 240 + 3
    assert (
        made.text
        == httpx.get(
            f"{base}/api/v1/export",
            params={**{name: WANTED[name] for name in ("from", "to", "resolution")}}
            | {"site": "quill-tank"},
        ).text
    )
    assert [path.name for path in (tmp_path / "exports").iterdir()] == [f"{job}.csv"]
    assert web.stop() == 0
    with closing(sqlite3.connect(tmp_path / "tallymast.sqlite3")) as connection:
        told = connection.execute("SELECT sentence FROM audit WHERE action = 'record.export'")
        assert "local exported 12 points of Quill Tank" in told.fetchone()[0]
    again = run("serve", "--data-dir", tmp_path, "--role", "web", "--port", "0")
    base = again.wait_for(READY)
    assert httpx.get(f"{base}/api/v1/exports/{job}").content == made.content
    assert again.stop() == 0

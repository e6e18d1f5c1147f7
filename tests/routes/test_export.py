"""Exports by page and API: the same rows as the record, refused in sentences, kept for a day."""

import csv
import io
from collections.abc import Callable
from datetime import datetime
from threading import BoundedSemaphore

import openpyxl
import pytest
from pyarrow import parquet
from starlette.testclient import TestClient
from tests.routes.conftest import NOW_MS, World, words
from tests.routes.people.conftest import Guarded, kept, populate

from tallymast.domain.model import JobState, Outcome
from tallymast.domain.people import Role
from tallymast.exporting import ExportDesk
from tallymast.files.shelf import KEPT_MS
from tallymast.routes.api import exports
from tallymast.storage import jobs
from tallymast.storage.readings import raw_series

__all__ = ["kept", "populate"]

HOUR_MS = 3_600_000
GOOD, MISSED = Outcome.FIRST_TRY, Outcome.NO_ANSWER
SPAN = {"from": "2026-03-08T07:00:00Z", "to": "2026-03-08T10:00:00Z"}
LVL = {"points": "quill-tank/LVL", "resolution": "raw", **SPAN}


def lively(world: World) -> None:
    made = [
        (NOW_MS - n * 60_000, MISSED if n % 7 == 0 else GOOD, words(12_000 + n, 1287 - n, n % 2))
        for n in range(120, 0, -1)
    ]
    world.polls("quill-tank", made)


def desk(world: World) -> ExportDesk:
    """The desk itself, worked by hand."""
    return ExportDesk(
        world.database, world.live, lambda: world.view, lambda: world.now_ms, world.shelf
    )


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def ordered(client: TestClient, **change: object) -> int:
    body = {"points": ["quill-tank/LVL"], "resolution": "raw", **SPAN, **change}
    found = client.post("/api/v1/exports", json=body)
    assert found.status_code == 202, found.text
    return int(found.json()["job"])


def test_csv_at_once_is_the_record(world: World, client: TestClient) -> None:
    lively(world)
    found = client.get("/api/v1/export", params=LVL)
    assert found.headers["content-type"] == "text/csv; charset=utf-8"
    assert (
        found.headers["content-disposition"]
        == 'attachment; filename="quill-tank-2026-03-08-to-2026-03-08-raw.csv"'
    )
    with world.database.reading() as conn:
        truth = raw_series(
            conn, world.plan("quill-tank").site_id, "LVL", NOW_MS - 3 * HOUR_MS, NOW_MS
        )
    rows = rows_of(found.text)
    assert len(rows) == len(truth) == 120
    for row, at_ms, value, raw, quality in zip(
        rows,
        truth.at_ms.tolist(),
        truth.value.tolist(),
        truth.raw.tolist(),
        truth.quality.tolist(),
        strict=True,
    ):
        assert datetime.fromisoformat(row["time (UTC)"]).timestamp() * 1000 == at_ms
        assert (row["site"], row["point"], row["name"]) == ("quill-tank", "LVL", "Level")
        assert row["unit"] == "m"
        assert row["quality"] == ("none", "suspect", "good")[quality]
        assert row["value"] == ("" if not quality else repr(value).removesuffix(".0"))
        assert row["raw"] == ("" if not quality else str(raw))
    assert sum(row["quality"] == "none" for row in rows) == 120 // 7


def test_a_whole_site_comes_by_point_and_time(world: World, client: TestClient) -> None:
    lively(world)
    found = client.get("/api/v1/export", params={"site": "quill-tank", **SPAN})
    rows = rows_of(found.text)
    keys = [(row["site"], row["point"], row["time (UTC)"]) for row in rows]
    assert keys == sorted(keys)
    assert {row["point"] for row in rows} == {"HATCH", "LVL", "VBAT"}


def test_packed_files_at_once_leave_nothing_behind(world: World, client: TestClient) -> None:
    lively(world)
    plain = rows_of(client.get("/api/v1/export", params=LVL).text)
    book = client.get("/api/v1/export", params={**LVL, "format": "xlsx"})
    assert book.headers["content-length"] == str(len(book.content))
    sheet = openpyxl.load_workbook(io.BytesIO(book.content))["Readings"]
    assert sheet.max_row == len(plain) + 1
    packed = client.get("/api/v1/export", params={**LVL, "format": "parquet"})
    table = parquet.read_table(io.BytesIO(packed.content))
    assert table.num_rows == len(plain)
    assert list(world.shelf.folder.iterdir()) == []


@pytest.mark.parametrize(
    ("params", "part"),
    [
        ({**LVL, "points": "quill-tank/LVX"}, 'has no point "LVX"; the nearest is "LVL"'),
        ({**LVL, "points": "quil-tank/LVL"}, 'no site "quil-tank"; the nearest is "quill-tank"'),
        (SPAN, "Nothing is chosen"),
        ({**LVL, "from": "2027-01-01T00:00:00Z", "to": "2028-01-01T00:00:00Z"}, "in the future"),
        ({**LVL, "from": "1960-01-01T00:00:00Z", "to": "1961-01-01T00:00:00Z"}, "before 1970"),
        ({**LVL, "from": "2026-03-08T07:00:00"}, "timezone"),
        (
            {"site": "quill-tank", "from": "2020-01-01T00:00:00Z", "format": "xlsx"}
            | {"resolution": "raw"},
            "too many to wait for",
        ),
    ],
)
def test_what_cannot_be_exported_is_said(
    client: TestClient, params: dict[str, str], part: str
) -> None:
    found = client.get("/api/v1/export", params=params)
    assert found.status_code == 422
    assert part in found.json()["detail"]


def test_only_so_many_are_served_at_a_time(
    world: World, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    lively(world)
    monkeypatch.setattr(exports, "_streams", BoundedSemaphore(1))
    for _ in range(3):  # one after the other, each gives its turn back
        assert client.get("/api/v1/export", params=LVL).status_code == 200
    with exports._streams:
        busy = client.get("/api/v1/export", params=LVL)
    assert busy.status_code == 503
    assert "try again in a minute" in busy.json()["detail"]
    assert client.get("/api/v1/export", params=LVL).status_code == 200


def test_a_job_goes_from_waiting_to_a_file(world: World, client: TestClient) -> None:
    lively(world)
    job = ordered(client)
    early = client.get(f"/api/v1/exports/{job}")
    assert early.status_code == 409
    assert "not finished yet" in early.json()["detail"]
    desk(world).work()
    state = client.get(f"/api/v1/jobs/{job}").json()
    assert (state["state"], state["progress"], state["result"]) == ("done", 1.0, "120 rows.")
    assert world.live.jobs()[job].state is JobState.DONE
    found = client.get(f"/api/v1/exports/{job}")
    assert found.content == client.get("/api/v1/export", params=LVL).content
    assert "quill-tank-2026-03-08" in found.headers["content-disposition"]


def test_a_file_is_kept_for_a_day(world: World, client: TestClient) -> None:
    job = ordered(client)
    desk(world).work()
    world.now_ms += KEPT_MS - 1
    assert client.get(f"/api/v1/exports/{job}").status_code == 200
    world.now_ms += 1
    gone = client.get(f"/api/v1/exports/{job}")
    assert gone.status_code == 410
    assert "kept no longer" in gone.json()["detail"]
    desk(world).begin()
    assert list(world.shelf.folder.iterdir()) == []


def test_what_a_run_left_half_done_is_cleared_and_told(world: World, client: TestClient) -> None:
    job = ordered(client)
    with world.database.writing() as conn:
        jobs.update(conn, job, JobState.RUNNING, 0.5, "", NOW_MS)
    half = world.shelf.place(job, "csv").with_suffix(".csv.unfinished")
    half.write_text("half a line")
    desk(world).begin()
    assert not half.exists()
    found = client.get(f"/api/v1/exports/{job}")
    assert found.status_code == 409
    assert "ask again" in found.json()["detail"]


def test_a_point_that_is_gone_fails_in_a_sentence(world: World, client: TestClient) -> None:
    with world.database.writing() as conn:
        params = {"points": ["quill-tank/GONE"], "from_ms": 0, "to_ms": 1}
        job = jobs.ask(
            conn,
            "export",
            actor="local",
            at_ms=NOW_MS,
            params={**params, "resolution": "raw", "format": "csv"},
        )
    desk(world).work()
    found = client.get(f"/api/v1/exports/{job.id}")
    assert found.status_code == 409
    assert 'has no point "GONE"' in found.json()["detail"]


@pytest.mark.parametrize("number", [0, 77, 2**70])
def test_an_export_that_never_was(client: TestClient, number: int) -> None:
    assert client.get(f"/api/v1/exports/{number}").status_code == 404


def test_a_poll_is_no_export(world: World, client: TestClient) -> None:
    job = client.post("/api/v1/sites/quill-tank/poll").json()["job"]
    assert client.get(f"/api/v1/exports/{job}").status_code == 404


# --- people ---------------------------------------------------------------------------


def test_a_stranger_reads_csv_but_fills_no_disk(populate: Callable[..., Guarded]) -> None:
    guarded = populate("open")
    lively(guarded.world)
    client = guarded.client()
    assert client.get("/api/v1/export", params=LVL).status_code == 200
    assert client.get("/api/v1/export", params={**LVL, "format": "xlsx"}).status_code == 403
    body = {"points": ["quill-tank/LVL"], **SPAN}
    assert client.post("/api/v1/exports", json=body).status_code == 401
    page = client.get("/export").text
    assert "Make the file" not in page
    assert "Sign in" in page
    assert not world_files(guarded.world)


def world_files(world: World) -> list[str]:
    folder = world.shelf.folder
    return [path.name for path in folder.iterdir()] if folder.is_dir() else []


def test_who_exported_what_is_written_down(guarded: Guarded) -> None:
    lively(guarded.world)
    client = guarded.as_(Role.VIEWER)
    client.get("/api/v1/export", params=LVL)
    ordered(client, points=[], sites=["quill-tank", "osier-pond"], format="xlsx")
    newest, first = guarded.told("record.export")
    assert first.sentence == "vi exported 1 point of Quill Tank, 8 Mar 2026, every poll, as csv."
    assert newest.sentence == "vi exported 6 points of 2 sites, 8 Mar 2026, every poll, as xlsx."


@pytest.fixture
def guarded(populate: Callable[..., Guarded]) -> Guarded:
    return populate()


# --- the page -------------------------------------------------------------------------

FORM = {"points": ["quill-tank/LVL"], "period": "days", "from": "2026-03-08", "to": "2026-03-08"}


def test_the_page_says_what_a_choice_comes_to(client: TestClient) -> None:
    page = client.get("/export", params={**FORM, "resolution": "hour"}).text
    # 10 hours of the day are over at the world's instant; two digits are said of an estimate.
    assert "1 point of Quill Tank, 8 Mar 2026, by hour: about 10 rows." in page
    assert "<details open><summary>Quill Tank" in page
    assert 'value="quill-tank/LVL" checked' in page


def test_a_site_may_be_chosen_by_the_address(client: TestClient) -> None:
    page = client.get("/export?site=osier-pond").text
    assert 'value="osier-pond" checked' in page
    assert "Osier &lt;Pond&gt;" in page
    assert 'href="/export?site=osier-pond"' in client.get("/sites/osier-pond").text


def test_a_form_becomes_a_file_with_a_link(world: World, client: TestClient) -> None:
    lively(world)
    sent = client.post("/export", data={**FORM, "resolution": "raw", "format": "csv"})
    assert sent.url.path == "/export"
    assert "Waits for its turn." in sent.text
    assert 'http-equiv="refresh"' in sent.text
    assert 'hx-trigger="every 1s"' in sent.text
    desk(world).work()
    listed = client.get("/export/list").text
    assert "every 1s" not in listed
    assert 'href="/api/v1/exports/1"' in listed
    assert "Asked for by local" in listed
    assert "kept until" in listed
    assert len(rows_of(client.get("/api/v1/exports/1").text)) == 120
    world.now_ms += KEPT_MS
    assert "kept no longer" in client.get("/export/list").text


@pytest.mark.parametrize(
    ("change", "part"),
    [
        ({"from": ""}, "From is empty; write one like 2026-03-08."),
        ({"to": "31 March"}, "To is &#39;31 March&#39;, which is no day"),
        ({"points": ["quill-tank/LVX"]}, "the nearest is &#34;LVL&#34;"),
        ({"points": []}, "Nothing is chosen"),
        ({"from": "2026-03-09", "to": "2026-03-09"}, "lies in the future"),
    ],
)
def test_a_wrong_form_is_shown_again_with_a_sentence(
    client: TestClient, change: dict[str, object], part: str
) -> None:
    sent = client.post("/export", data={**FORM, **change})
    assert sent.status_code == 422
    assert part in sent.text
    assert 'value="days" selected' in sent.text

"""The storage page tells what the record takes, and changes how it is kept."""

import re
import sqlite3
from dataclasses import replace
from pathlib import Path

from sqlalchemy import select
from starlette.testclient import TestClient
from tests.routes.conftest import NOW_MS, World
from tests.routes.people.conftest import Guarded

from tallymast.domain.keeping import CopyPlan, Keeping
from tallymast.domain.people import Role
from tallymast.keeping import Keeper
from tallymast.storage import keeping, schema
from tallymast.storage.writer import StorageStatus


def keeper(world: World, folder: Path) -> Keeper:
    return Keeper(world.database, world.live, folder, lambda: world.view, lambda: world.now_ms)


def test_before_anything_is_measured_the_page_says_so(client: TestClient) -> None:
    page = client.get("/storage").text
    assert "Nothing is measured yet" in page
    assert "There is no backup yet" in page


def test_sizes_are_told_by_table(world: World, client: TestClient, tmp_path: Path) -> None:
    sizes = keeper(world, tmp_path).take_sizes().sizes
    assert world.database.file is not None
    # The file itself says the same, once its log is folded into it.
    with world.database.writing() as conn:
        pages = conn.exec_driver_sql("PRAGMA page_count").scalar_one()
        page = conn.exec_driver_sql("PRAGMA page_size").scalar_one()
    assert sizes.file == pages * page
    assert sum(sizes.tables.values()) + sizes.unused == sizes.file
    answer = client.get("/api/v1/storage").json()
    assert answer["file_bytes"] == sizes.file
    assert answer["days_left"] is None  # no whole day yet
    assert "contact by hour" in client.get("/storage").text


def test_a_file_that_has_grown_is_measured_anew(world: World, tmp_path: Path) -> None:
    kept = keeper(world, tmp_path)
    kept._look()
    with world.database.writing() as conn:
        for n in range(3):
            keeping.setting.keep(conn, f"filler-{n}", "x" * 400_000)
    assert world.database.file is not None
    with sqlite3.connect(world.database.file) as other:
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    other.close()
    kept._look()
    with world.database.reading() as conn:
        known = keeping.load_sizes(conn)
    assert known is not None
    assert known.sizes.tables["everything else"] > 1_200_000


def test_the_largest_stands_first(client: TestClient, world: World, tmp_path: Path) -> None:
    keeper(world, tmp_path).take_sizes()
    shown = re.findall(r'<td class="num">(?:&lt;)?([0-9]+) %</td>', client.get("/storage").text)
    shares = [int(one) for one in shown]
    assert shares == sorted(shares, reverse=True)
    assert len(shares) > 5


def test_a_backup_is_asked_for_made_and_told(
    world: World, client: TestClient, tmp_path: Path
) -> None:
    assert client.post("/storage/backup", follow_redirects=False).status_code == 303
    client.post("/storage/backup")  # one at a time
    with world.database.reading() as conn:
        assert len(conn.execute(select(schema.job)).all()) == 1
    assert "A backup is under way" in client.get("/storage").text
    keeper(world, tmp_path / "copies")._look()
    page = client.get("/storage").text
    assert "is whole" in page
    (file,) = (tmp_path / "copies").iterdir()
    assert file.name == "tallymast-20260308T100000Z.sqlite3"
    assert file.name in page
    assert client.get("/api/v1/storage").json()["last_whole_backup"]["name"] == file.name


def test_a_backup_that_fails_is_told_on_every_page(
    world: World, client: TestClient, tmp_path: Path
) -> None:
    (tmp_path / "taken").write_text("no folder")
    kept = keeper(world, tmp_path / "taken")
    client.post("/storage/backup")
    kept._look()
    assert "The last backup failed" in kept.words
    assert "cannot be made" in client.get("/storage").text
    assert client.get("/api/v1/storage").json()["last_backup"]["name"] is None


def test_the_plan_is_followed_once_a_night(world: World, tmp_path: Path) -> None:
    kept = keeper(world, tmp_path)
    with world.database.writing() as conn:
        keeping.keep_plan(conn, CopyPlan(at="09:00", days=2, weeks=0, months=0))
    days = 86_400_000
    for n in range(4):
        world.now_ms = NOW_MS + n * days
        kept._look()
        kept._look()
    names = sorted(file.name for file in tmp_path.glob("tallymast-*Z.sqlite3"))
    assert names == ["tallymast-20260310T100000Z.sqlite3", "tallymast-20260311T100000Z.sqlite3"]


def test_a_wrong_plan_is_refused_whole(world: World, client: TestClient) -> None:
    answer = client.post("/storage/plan", data={"at": "25:00", "days": "3"})
    assert answer.status_code == 422
    assert "is no time of day" in answer.text
    assert client.post("/storage/plan", data={"at": "02:00", "days": "0"}).status_code == 422
    with world.database.reading() as conn:
        assert keeping.load_plan(conn) == CopyPlan()
    assert client.post("/storage/plan", data={"at": "03:15", "days": "3"}).status_code == 200
    with world.database.reading() as conn:
        assert keeping.load_plan(conn) == CopyPlan("03:15", 3, 4, 6)


def test_a_shorter_keeping_begins_a_day_later(world: World, client: TestClient) -> None:
    assert client.post("/storage/polls", data={"days": "5"}).status_code == 422
    page = client.post("/storage/polls", data={"days": "90"}).text
    assert "for 90 days" in page
    assert "until then it can be changed back" in page
    with world.database.reading() as conn:
        kept = keeping.load_keeping(conn)
    assert kept == Keeping(90, NOW_MS + 86_400_000)
    assert kept.cutoff_ms(NOW_MS) is None
    assert client.post("/storage/polls", data={"days": ""}).status_code == 200
    with world.database.reading() as conn:
        assert keeping.load_keeping(conn).days is None


def test_who_may_not_keep_sees_and_changes_nothing(guarded: Guarded) -> None:
    technician = guarded.as_(Role.TECHNICIAN)
    page = technician.get("/storage").text
    assert "Back up now" not in page
    assert technician.post("/storage/backup").status_code == 403
    assert "Back up now" in guarded.as_(Role.SUPERVISOR).get("/storage").text


def test_giving_up_polls_asks_for_the_password_again(guarded: Guarded) -> None:
    late = guarded.as_(Role.SUPERVISOR, ago_ms=3_600_000)
    answer = late.post("/storage/polls", data={"days": "90"}, follow_redirects=False)
    assert "password" in answer.text.lower()
    with guarded.world.database.reading() as conn:
        assert keeping.load_keeping(conn) == Keeping()


def test_a_refusing_disk_is_told_on_every_page_with_since(world: World, client: TestClient) -> None:
    said = "The disk that holds it is full. Make room; nothing else is needed."
    world.storage = replace(StorageStatus("failing", NOW_MS - 120_000, 57, 0), sentence=said)
    for path in ("/", "/sites/quill-tank", "/gateways/mast", "/storage", "/people", "/audit"):
        page = client.get(path).text
        assert said in page, path
        assert "since 09:58:00" in page, path
        assert "57 polls wait in memory" in page, path
        assert page.count(said) == 1, path

"""The page of reports: months kept, made anew beside what was told, downloads, trouble told."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import World
from tests.routes.people.conftest import Guarded, kept, populate
from tests.routes.test_reliability import HOUR, at, closed, polled
from tests.routes.test_report_files import keep_round

from tallymast.domain.people import Role
from tallymast.files.report_shelf import ReportShelf
from tallymast.routes.app import create_app

__all__ = ["kept", "populate"]


@pytest.fixture
def shelf(tmp_path: Path) -> ReportShelf:
    return ReportShelf(tmp_path / "reports")


@pytest.fixture
def page(world: World, shelf: ReportShelf) -> Iterator[TestClient]:
    given = replace(world.services(), reports=shelf, report_trouble=lambda: "The disk is full.")
    with TestClient(create_app(given)) as client:
        yield client


def february(world: World) -> None:
    polled(world, "quill-tank", "2026-02-28 07:00", "2026-03-01 09:00", {}, 2 * HOUR)
    closed(world)


def names(shelf: ReportShelf) -> list[str]:
    return sorted(one.path.name for one in shelf.kept())


def test_a_month_is_made_and_then_made_anew(
    world: World, page: TestClient, shelf: ReportShelf
) -> None:
    february(world)
    assert "February 2026" in page.get("/reports").text
    for _ in range(2):
        asked = page.post("/reports/months", data={"month": "2026-02"}, follow_redirects=False)
        assert (asked.status_code, asked.headers["location"]) == (303, "/reports")
    stem = "reliability-2026-02"
    both = [f"{stem}{n}.{kind}" for n in ("-2", "") for kind in ("html", "xlsx")]
    assert names(shelf) == sorted(both)
    text = page.get("/reports").text
    for name in both:
        assert f'href="/reports/kept/{name}"' in text
    found = page.get(f"/reports/kept/{stem}.html")
    assert found.headers["content-disposition"] == f'attachment; filename="{stem}.html"'
    assert "Reliability, February 2026" in found.text
    assert page.get(f"/reports/kept/{stem}-2.xlsx").content[:2] == b"PK"


def test_a_month_that_cannot_be_told_says_so(
    world: World, page: TestClient, shelf: ReportShelf
) -> None:
    february(world)
    for month, part in (
        ("2026-03", "2026-03 is not over"),
        ("2026-01", "before the record begins"),
        ("2024-01", "too long ago"),
        ("soon", "is no month; write one like 2026-10"),
    ):
        found = page.post("/reports/months", data={"month": month}, headers={"accept": "text/html"})
        assert found.status_code == 422
        assert part in found.text
    assert names(shelf) == []


@pytest.mark.parametrize(
    "name", ["reliability-2026-02.html", "..%2ftallymast.sqlite3", "tallymast.sqlite3"]
)
def test_only_reports_are_handed_out(page: TestClient, name: str) -> None:
    assert page.get(f"/reports/kept/{name}").status_code == 404


def test_trouble_stands_on_the_pages_that_tell_of_storage(page: TestClient) -> None:
    for path in ("/reports", "/storage"):
        assert '<p class="wrong" role="alert">The disk is full.</p>' in page.get(path).text


def test_where_nothing_is_kept_the_page_offers_files_all_the_same(
    world: World, client: TestClient
) -> None:
    february(world)
    text = client.get("/reports").text
    assert "Make it" not in text
    assert "No round is kept yet" in text
    assert client.post("/reports/months", data={"month": "2026-02"}).status_code == 503
    keep_round(world)
    assert 'value="2026-03-08"' in client.get("/reports").text


def test_pages_lead_to_their_files(world: World, client: TestClient) -> None:
    february(world)
    keep_round(world)
    found = client.get("/reliability?period=7-days&where=gateway:mast").text
    href = "/reports/reliability?period=7-days&amp;where=gateway%3Amast&amp;format=html"
    assert f'href="{href}"' in found
    assert client.get(href.replace("&amp;", "&")).status_code == 200
    day = client.get("/rounds/2026-03-08").text
    assert 'href="/reports/round?from=2026-03-08&amp;to=2026-03-08&amp;format=xlsx"' in day


def test_who_had_a_report_made_is_written_down(populate: object, world: World) -> None:
    february(world)
    assert callable(populate)
    guarded: Guarded = populate()
    viewer = guarded.as_(Role.VIEWER)
    assert viewer.get("/reports/reliability?format=xlsx").status_code == 200
    (entry,) = guarded.told("report.fetch")
    assert entry.sentence == (
        "vi had a report made of reliability, 2026-02-01 to 2026-02-28, as xlsx."
    )


def test_who_had_a_month_made_anew_is_written_down(
    populate: object, world: World, shelf: ReportShelf
) -> None:
    february(world)
    assert callable(populate)
    guarded: Guarded = populate()
    guarded.app.state.services = replace(guarded.app.state.services, reports=shelf)
    asked = guarded.as_(Role.VIEWER).post("/reports/months", data={"month": "2026-02"})
    assert asked.status_code == 200  # of the page it leads to
    (entry,) = guarded.told("report.keep")
    assert entry.sentence == (
        "vi had the report of February 2026 made anew; it is kept as reliability-2026-02.html."
    )
    assert at("2026-03-01 07:00") < entry.at_ms

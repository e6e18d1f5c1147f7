"""The hardware register's pages: what is entered, moved and said to differ, without a browser."""

import csv
import io
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import World, begin
from tests.routes.life.world import COUNTING, answered, fit
from tests.routes.test_pages import text_of

from tallymast.domain.health.findings import NeverAnswered
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.health.supply.model import SupplyHealth, Verdict
from tallymast.domain.model import SitePlan
from tallymast.routes.app import create_app
from tallymast.routes.visit_kit import ALWAYS, kit
from tallymast.storage import audit, hardware
from tallymast.storage.audit import Wanted

HERE = "/sites/quill-tank/hardware"


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    text = COUNTING.replace(
        'key = "quill-tank"\n', 'key = "quill-tank"\nlatitude = 44.20\nlongitude = -106.30\n'
    ).replace("  disconnect_v = 11.5\n", "  disconnect_v = 11.5\n  installed = 2022-05-03\n")
    made = begin(tmp_path, text)
    yield made
    made.database.close()


@pytest.fixture
def client(world: World) -> Iterator[TestClient]:
    with TestClient(create_app(world.services())) as made:
        yield made


def post(client: TestClient, path: str, **fields: str) -> int:
    return client.post(path, data=fields, follow_redirects=False).status_code


def test_what_is_entered_is_shown_and_written_down(world: World, client: TestClient) -> None:
    assert post(client, HERE, kind="antenna", type="yagi", gain_dbi="6", bearing="181") == 303
    text = text_of(client.get(HERE).text)
    assert "yagi 6 dBi, bearing 181° true" in text
    assert "yagi" in text_of(client.get("/sites/quill-tank").text)
    with world.database.reading() as conn:
        (told,) = audit.search(conn, Wanted(action="part.enter"), 10)
    assert told.sentence == (
        "local entered yagi 6\u00a0dBi, bearing 181° true into the hardware register: Quill Tank."
    )


def test_a_mistake_keeps_what_was_typed(world: World, client: TestClient) -> None:
    typed = {"kind": "antenna", "type": "yagi <b>", "height_m": "tall", "serial": "Y-7"}
    answer = client.post(HERE, data=typed)
    assert answer.status_code == 422
    assert "Height above ground: tall is not a number; 0 to 200" in text_of(answer.text)
    assert 'value="yagi &lt;b&gt;"' in answer.text
    assert 'value="Y-7"' in answer.text
    assert 'value="tall"' in answer.text
    with world.database.reading() as conn:
        assert hardware.everything(conn) == []


def test_a_transmitter_brings_the_day_of_its_calibration(client: TestClient) -> None:
    fields = {"name": "Level", "tag": "LVL", "calibration_due": "2026-02-24"}
    assert post(client, HERE, kind="transmitter", **fields) == 303
    # 24 February to 8 March 2026: four days of February, eight of March.
    assert "due since 12 days: Calibrate Level (LVL)" in text_of(
        client.get("/sites/quill-tank").text
    )


def test_what_differs_is_said_and_nothing_else(world: World, client: TestClient) -> None:
    # The site lies straight north of its mast, so its antenna looks south: 180 degrees.
    fit(world, "antenna", detail={"type": "yagi", "bearing": 150.0})
    fit(world, "battery", detail={"fitted": "2024-05-03"})
    text = text_of(client.get(HERE).text)
    assert "noted at 150° true, Mast lies at 180°: 30° apart" in text
    assert "fitted on 2024-05-03, the network file says 2022-05-03" in text
    assert text.count("Differs:") == 2


def test_a_part_goes_to_the_store_and_to_another_site(world: World, client: TestClient) -> None:
    part = fit(world, "radio", "Radio", serial="R-7")
    assert post(client, f"/hardware/{part.id}/move", to="store", place="shelf B") == 303
    store = text_of(client.get("/hardware?where=store").text)
    assert "R-7" in store
    assert "shelf B" in store
    with world.database.reading() as conn:
        (spare,) = hardware.in_store(conn)
    assert post(client, "/sites/osier-pond/hardware", part=str(spare.id)) == 303
    assert "R-7" in text_of(client.get("/sites/osier-pond/hardware").text)
    gone = text_of(client.get(HERE).text).partition("What was there before")[2]
    assert "R-7" in gone
    assert "moved to the store" in gone
    assert post(client, f"/hardware/{part.id}/move", to="store") == 409


def test_what_is_taken_out_keeps_its_dates(world: World, client: TestClient) -> None:
    part = fit(world, "battery", detail={"capacity_ah": 33.0})
    assert post(client, f"/hardware/{part.id}/move", to="disposed", how="recycled") == 303
    gone = text_of(client.get(HERE).text).partition("What was there before")[2]
    assert "1 Jan 1970 to 8 Mar 2026; recycled" in gone


def test_a_correction_changes_the_entry_in_its_place(world: World, client: TestClient) -> None:
    part = fit(world, "radio", "Radio", serial="R-7")
    assert post(client, f"/hardware/{part.id}", name="Radio", serial="R-8", power_w="1") == 303
    with world.database.reading() as conn:
        (kept,) = hardware.fitted(conn, world.plan("quill-tank").site_id)
    assert (kept.id, kept.serial, kept.detail) == (part.id, "R-8", {"power_w": 1.0})


def test_words_and_filters_find_a_part_without_scripts(world: World, client: TestClient) -> None:
    fit(world, "radio", "Radio", serial="R-7")
    fit(world, "radio", "Spare radio", key=None, place="shelf B")
    fit(world, "fuse", key="osier-pond", detail={"rating_a": 3.0})
    for query, there, not_there in (
        ("q=r-7", "R-7", "shelf B"),
        ("where=store", "shelf B", "R-7"),
        ("kind=fuse", "3 A", "R-7"),
        ("site=quill-tank", "R-7", "3 A"),
    ):
        text = text_of(client.get(f"/hardware?{query}").text)
        assert there in text, query
        assert not_there not in text, query


def test_the_file_holds_the_same_and_no_formula(world: World, client: TestClient) -> None:
    fit(world, "radio", "=HYPERLINK(1)", serial="R-7", detail={"power_w": 1.0})
    fit(world, "radio", "Spare", key=None)
    rows = list(csv.DictReader(io.StringIO(client.get("/hardware.csv?where=fitted").text)))
    assert [(row["site"], row["serial"], row["count"]) for row in rows] == [
        ("quill-tank", "R-7", "1")
    ]
    assert rows[0]["what"].startswith("'=HYPERLINK(1)")
    assert rows[0]["as noted"] == "power_w 1.0"


def test_what_to_bring_reads_the_register(world: World) -> None:
    plan: SitePlan = world.plan("quill-tank")
    parts = [
        fit(world, "antenna", detail={"type": "yagi", "gain_dbi": 6.0, "height_m": 6.0}),
        fit(world, "feedline", detail={"type": "10 mm coax", "connectors": "N male"}),
        fit(world, "arrester", detail={"connectors": "N female"}),
        fit(world, "fuse", place="load", detail={"rating_a": 3.0, "type": "blade"}),
    ]
    spares = [fit(world, "radio", "Radio", key=None, place="shelf B", detail={"count": 2})]
    weak = SiteHealth(SupplyHealth(Verdict.STEADY))
    silent = [NeverAnswered(plan.site, 0, 3)]
    told = kit(plan.site, silent, weak, (), parts, spares)
    assert told == (
        "wattmeter",
        "antenna as fitted (yagi 6\u00a0dBi, 6\u00a0m up)",
        "connectors N male for 10 mm coax",
        "surge arrester as fitted (N female)",
        "spare radio: 2 in the store, shelf B",
        "fuses as fitted: 3\u00a0A blade (load)",
        "multimeter, keys",
    )
    assert kit(plan.site, silent, weak)[-1] == ALWAYS[0]  # an empty register changes nothing
    assert kit(plan.site, silent, weak)[0] == (
        "wattmeter, antenna, connectors, surge arrester, spare radio"
    )


def test_the_drive_sheet_reads_it_too(world: World, client: TestClient) -> None:
    answered(world, (1, 1284, 7))
    fit(world, "fuse", place="battery", detail={"rating_a": 10.0})
    sheet = text_of(client.get("/sites/quill-tank/drive").text)
    assert "fuses as fitted: 10 A (battery)" in sheet

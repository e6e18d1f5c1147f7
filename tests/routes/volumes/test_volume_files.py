"""Volumes for scripts and spreadsheets: nulls for what is not known, texts that stay texts."""

import csv
import io
from collections.abc import Iterator
from pathlib import Path

import openpyxl
import pytest
from tests.routes.volumes.meter_world import DAY, HOUR, MARCH_2, Meters, dark, meters, restarted

from tallymast.domain.totals.segments import Segment

pytestmark = pytest.mark.filterwarnings("ignore:datetime.datetime.utcnow")
SPAN = "from=2026-03-02T07:00:00Z&to=2026-03-05T07:00:00Z"


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Meters]:
    """Hobby Pad: a day with a restart, a day without a word, a plain day."""
    found = meters(tmp_path)
    odd = dark(Segment(MARCH_2 + 19 * HOUR, MARCH_2 + 20 * HOUR, 40.0), 41, 4920.0)
    lost = restarted(MARCH_2 + 19 * HOUR + 14 * 60_000, 41, 4920.0)
    found.hours("hobby-pad", MARCH_2, MARCH_2 + DAY, odd, events=(lost,))
    found.hours("hobby-pad", MARCH_2 + 2 * DAY, MARCH_2 + 3 * DAY)
    found.hours("kestrel-pad", MARCH_2, MARCH_2 + 3 * DAY)
    yield found
    found.world.database.close()


def test_the_api_says_null_for_what_nobody_knows(made: Meters) -> None:
    found = made.client.get(f"/api/v1/volumes?{SPAN}&site=hobby-pad&tag=TOT").json()
    first, second, third = found["items"]
    # By hand: 23 x 100 + 40 pulses at 0.5 m³; 1 - 41 / 1440 of the day.
    assert (first["volume"], first["unknown"], first["unit"]) == (1170.0, 2460.0, "m³")
    assert first["known_share"] == pytest.approx(0.971528, abs=1e-6)
    assert first["open"] == 0.0
    assert first["close"] == 2400.0
    assert first["events"][0]["kind"] == "reset"
    assert first["events"][0]["begins"] == "2026-03-03T02:14:00.000Z"
    assert (second["volume"], second["pulses"], second["unknown"]) == (None, None, None)
    assert second["known_share"] == 0
    assert (third["volume"], third["unknown"], third["open"]) == (1200.0, 0.0, 4800.0)
    assert found["next"] is None


def test_pages_of_the_api_go_on_where_the_last_one_ended(made: Meters) -> None:
    told, after = [], "0"
    while after is not None:
        page = made.client.get(f"/api/v1/volumes?{SPAN}&limit=5&after={after}").json()
        told += [(one["site"], one["at"]) for one in page["items"]]
        after = page["next"]
    assert len(told) == len(set(told)) == 4 * 3


def test_months_and_hours_add_up_to_the_days(made: Meters) -> None:
    whole = "from=2026-03-01T00:00:00Z&to=2026-03-05T07:00:00Z&site=kestrel-pad"
    (month,) = made.client.get(f"/api/v1/volumes?{whole}&resolution=month").json()["items"]
    hours = made.client.get(f"/api/v1/volumes?{whole}&resolution=hour").json()["items"]
    # By hand: three days of 2 400 pulses at 0.5 m³.
    assert month["volume"] == sum(one["volume"] or 0 for one in hours) == 3600.0
    assert month["unknown"] is None  # of the first of March nothing is known


@pytest.mark.parametrize(
    ("query", "status"),
    [("tag=TOT", 422), ("site=nowhere", 404), ("site=hobby-pad&tag=X", 404)],
)
def test_the_api_refuses_what_is_not_there(made: Meters, query: str, status: int) -> None:
    assert made.client.get(f"/api/v1/volumes?{SPAN}&{query}").status_code == status


def test_a_file_of_days_is_read_back(made: Meters) -> None:
    found = made.client.get("/volumes/file?month=2026-03&area=Leases&format=csv")
    rows = list(csv.DictReader(io.StringIO(found.content.decode())))
    assert len(rows) == 2 * 5
    assert {row["site name"] for row in rows} == {"Hobby Pad", "'=Kestrel"}
    second = next(row for row in rows if row["begins (UTC)"].startswith("2026-03-03"))
    assert (second["volume"], second["known share"], second["bound"]) == ("", "0", "none")
    book = made.client.get("/volumes/file?month=2026-03&site=kestrel-pad&format=xlsx")
    sheet = openpyxl.load_workbook(io.BytesIO(book.content))["Volumes"]
    heads = [cell.value for cell in sheet[1]]
    cell = sheet.cell(3, heads.index("site name") + 1)
    assert (cell.value, cell.data_type) == ("=Kestrel", "s")
    assert sheet.cell(3, heads.index("volume") + 1).value == 1200


def test_parquet_keeps_numbers_and_nulls(made: Meters) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    found = made.client.get(
        "/volumes/file?month=2026-03&site=hobby-pad&resolution=hour&format=parquet"
    )
    table = parquet.read_table(io.BytesIO(found.content))
    volumes = table.column("volume").to_pylist()
    # 24 h before the record, a day with a restart, a day without, a plain day, 5 h of today.
    assert len(volumes) == 4 * 24 + 6
    assert sum(one or 0 for one in volumes) == 1170 + 1200
    assert volumes.count(None) == 24 + 24 + 6

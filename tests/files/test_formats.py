"""Each format reads back as what was put in. References: csv (RFC 4180), openpyxl, pyarrow."""

import csv
import io
import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyarrow import parquet
from tests.files.conftest import AT_MS, LOCAL, a_batch

from tallymast.domain.errors import ConfigError
from tallymast.domain.exports import Extract, columns_of
from tallymast.files import csv_file, parquet_file, xlsx_file

HEADINGS = [
    "time (America/Denver)",
    "time (UTC)",
    "site",
    "point",
    "name",
    "value",
    "unit",
    "quality",
    "raw",
]
VALUES = [1.5, None, -2.25, 3.0, 1e300, 0.1 + 0.2, 2**64 - 1, "PUMP 7", "-3", 0]


def as_csv(extract: Extract, values: list[Any], name: str = "Level") -> list[list[str]]:
    whole = b"".join(csv_file.chunks(extract, [a_batch(values, name)]))
    text = whole.decode("utf-8")
    assert text.count("\r\n") == text.count("\n")
    return list(csv.reader(text.splitlines(keepends=True)))


def test_csv_has_headings_units_zone_and_quality(extract: Extract) -> None:
    head, row, gap = as_csv(extract, [1.5, None])
    assert head == HEADINGS
    assert row == [
        LOCAL,
        "2026-03-08T10:00:00.123Z",
        "quill-tank",
        "LVL",
        "Level",
        "1.5",
        "m³",
        "good",
        "1.5",
    ]
    assert gap[5:] == ["", "m³", "none", ""]


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False) | st.integers(0, 2**64 - 1)))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_csv_numbers_read_back_as_the_very_same(extract: Extract, values: list[Any]) -> None:
    for row, value in zip(as_csv(extract, values)[1:], values, strict=True):
        read = int if isinstance(value, int) else float
        assert read(row[5]) == value


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@a", "\tx", "\rx"])
def test_csv_texts_are_no_formulas_and_numbers_stay_numbers(extract: Extract, text: str) -> None:
    _, row = as_csv(extract, [-1.5], text)
    assert row[4] == f"'{text}"
    assert row[5] == "-1.5"
    assert as_csv(extract, [text])[1][5] == f"'{text}"


def test_csv_quotes_what_would_end_a_cell(extract: Extract) -> None:
    assert as_csv(extract, [1], 'Level, "upper"')[1][4] == 'Level, "upper"'


def xlsx(place: Path, extract: Extract, *batches: Any, **how: int) -> openpyxl.Workbook:
    with xlsx_file.table(place, extract, **how) as put:
        for batch in batches:
            put(batch)
    return openpyxl.load_workbook(io.BytesIO(place.read_bytes()))


def test_xlsx_says_what_it_is_about_on_its_first_sheet(place: Path, extract: Extract) -> None:
    book = xlsx(place, extract)
    assert book.sheetnames == ["About", "Readings"]
    told = {row[0]: row[1] for row in book["About"].values if row[0]}
    assert told["network"] == "Two tanks"
    assert told["time zone"] == "America/Denver"
    assert told["contract day begins"] == "07:00 UTC-07:00"
    assert told["from"] == "2026-03-08T09:59:59.123Z"
    assert told["made"] == "2026-03-08T10:00:20.123Z"
    assert told["by"] == "Tallymast 0.0-test"
    points = [[cell or "" for cell in row] for row in book["About"].values if "Quill Tank" in row]
    assert points == [
        ["quill-tank", "Quill Tank", "LVL", "Level", "m³", ""],
        ["quill-tank", "Quill Tank", "HATCH", "=Hatch", "", "0 shut; 1 open"],
    ]


def test_xlsx_holds_numbers_texts_gaps_and_instants(place: Path, extract: Extract) -> None:
    sheet = xlsx(place, extract, a_batch(VALUES))["Readings"]
    rows = list(sheet.values)
    assert list(rows[0]) == HEADINGS
    for number, (row, value) in enumerate(zip(rows[1:], VALUES, strict=True)):
        exact = str(value) if isinstance(value, int) and value > 10**15 else value
        assert row[5] == row[8]
        if isinstance(exact, float):
            assert row[5] == pytest.approx(exact, rel=1e-15)  # XlsxWriter writes 16 digits
        else:
            assert row[5] == exact
        assert row[0] == LOCAL
        assert isinstance(row[1], datetime)
        ms = row[1].replace(tzinfo=UTC).timestamp() * 1000
        assert ms == pytest.approx(AT_MS + 1000 * number, abs=1)  # a double of days: 0.001 ms


def test_xlsx_goes_on_in_a_further_sheet(place: Path, extract: Extract) -> None:
    book = xlsx(place, extract, a_batch([1, 2, 3]), a_batch([4, 5]), rows_a_sheet=3)
    assert book.sheetnames == ["About", "Readings", "Readings 2", "Readings 3"]
    values = [[row[5] for row in book[name].values] for name in book.sheetnames[1:]]
    assert values == [["value", 1, 2], ["value", 3, 4], ["value", 5]]
    assert [path.name for path in place.parent.iterdir()] == ["out"]


def test_xlsx_names_no_formula(place: Path, extract: Extract) -> None:
    sheet = xlsx(place, extract, a_batch([1], "=1+1"))["Readings"]
    cell = sheet["E2"]
    assert (cell.value, cell.data_type) == ("=1+1", "s")  # "f" would be a formula


def test_parquet_keeps_types_and_loses_no_digit(place: Path, extract: Extract) -> None:
    with parquet_file.table(place, extract) as put:
        put(a_batch(VALUES))
    table = parquet.read_table(place)
    assert str(table.schema.field("time (UTC)").type) == "timestamp[ms, tz=UTC]"
    assert table["time (UTC)"].cast("int64").to_pylist() == [
        AT_MS + 1000 * row for row in range(len(VALUES))
    ]
    numbers, texts = table["raw"].to_pylist(), table["raw (text)"].to_pylist()
    for value, number, text in zip(VALUES, numbers, texts, strict=True):
        if isinstance(value, str) or value == 2**64 - 1:
            assert (number, text) == (None, str(value))
        else:
            assert (number, text) == (value, None)
    assert table["unit"].to_pylist() == ["m³"] * len(VALUES)


def test_parquet_says_what_it_is_about(place: Path, extract: Extract) -> None:
    with parquet_file.table(place, extract) as put:
        put(a_batch([1]))
    told = parquet.read_schema(place).metadata
    assert told[b"tallymast network"] == b"Two tanks"
    assert told[b"tallymast time zone"] == b"America/Denver"
    points = json.loads(told[b"tallymast points"])
    assert [(one["point"], one["unit"]) for one in points] == [("LVL", "m³"), ("HATCH", "")]


def test_parquet_is_written_in_groups(place: Path, extract: Extract) -> None:
    with parquet_file.table(place, extract, group_rows=4) as put:
        for _ in range(5):
            put(a_batch([1.0, 2.0, 3.0]))
    found = parquet.ParquetFile(place).metadata
    assert [found.row_group(n).num_rows for n in range(found.num_row_groups)] == [6, 6, 3]


def test_without_pyarrow_a_sentence_says_what_to_install(
    place: Path, extract: Extract, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with (
        pytest.raises(ConfigError, match=r"pip install tallymast\[parquet\]"),
        parquet_file.table(place, extract),
    ):
        pass
    assert not place.exists()
    assert not parquet_file.is_possible()


def test_the_hand_made_rows_have_the_columns(extract: Extract) -> None:
    assert [column.name for column in columns_of(extract)] == HEADINGS

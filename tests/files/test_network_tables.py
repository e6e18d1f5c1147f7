"""A network's tables: what is exported comes back without a difference, and what rows change."""

import csv
import io
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallymast.domain import network_file
from tallymast.domain.setup.table_reading import Reading, read_tables
from tallymast.domain.setup.tables import with_kept_codes
from tallymast.files.network_out import network_toml, network_xlsx, table_csv
from tallymast.files.table_in import read_sent

BASIN = network_file.parse(
    (Path(__file__).parents[2] / "demo_data" / "ombrel-basin.toml").read_text("utf-8"), "basin"
)
SMALL: dict[str, Any] = network_file.parse(
    """
[[gateway]]
key = "mast"
address = "192.0.2.1:502"
[[profile]]
key = "tank"
  [[profile.point]]
  tag = "LVL"
  kind = "analog-input"
  reference = 30005
  raw = [4000, 20000]
  value = [0.0, 6.0]
  unit = "m"
  limits = { low = 1.0, high = 5.0 }
[[site]]
key = "quill"
gateway = "mast"
unit = 1
profile = "tank"
poll_every_s = 60
cautions = ["open water", "dog"]
  [site.supply]
  kind = "solar"
  chemistry = "agm"
  [[site.lock]]
  where = "gate"
  code = "7731"
  [[site.point]]
  tag = "LVL"
  value = [0.0, 3.5]
  limits = {}
""",
    "small",
)


def reading(text: str, name: str = "sites.csv", today: dict[str, Any] = SMALL) -> Reading:
    return read_tables(read_sent(name, text.encode()).grids, today)


def told(text: str, name: str = "sites.csv", today: dict[str, Any] = SMALL) -> list[str]:
    return [f"{one.where}: {one.sentence}" for one in reading(text, name, today).mistakes]


# --- there and back -----------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["sites", "points"])
def test_a_table_of_the_demo_comes_back_without_a_difference(kind: Any) -> None:
    found = reading(table_csv(BASIN, kind).decode(), "t.csv", BASIN)
    assert found.mistakes == ()
    assert found.written == BASIN


def test_the_spreadsheet_of_the_demo_comes_back_without_a_difference() -> None:
    made = network_xlsx(BASIN, title="Basin", revision=3, made_ms=1_772_964_000_000)
    found = read_tables(read_sent("net.xlsx", made).grids, BASIN)
    assert found.mistakes == ()
    assert found.written == BASIN


def test_the_network_file_comes_back_without_a_difference() -> None:
    assert network_file.parse(network_toml(BASIN, codes=True).decode(), "x") == BASIN


def test_tables_saved_by_a_spreadsheet_with_semicolons_come_back_too() -> None:
    rows = csv.reader(io.StringIO(table_csv(BASIN, "sites").decode()))
    made = io.StringIO()
    writer = csv.writer(made, delimiter=";", lineterminator="\r\n")
    for row in rows:
        writer.writerow([one.replace(".", ",") if is_number(one) else one for one in row])
    found = read_tables(read_sent("s.csv", ("\ufeff" + made.getvalue()).encode()).grids, BASIN)
    assert found.mistakes == ()
    assert found.written == BASIN


def is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


@settings(max_examples=25, deadline=None)
@given(
    st.text(
        st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1, max_size=20
    ).filter(lambda text: text.strip())
)
def test_any_text_comes_back_as_it_was(text: str) -> None:
    today = {**SMALL, "site": [{**SMALL["site"][0], "name": text, "access": f"{text}\n{text}"}]}
    for name, made in (
        ("s.csv", table_csv(today, "sites")),
        ("n.xlsx", network_xlsx(today, title="t", revision=1, made_ms=0)),
    ):
        found = read_tables(read_sent(name, made).grids, today)
        assert found.mistakes == ()
        assert found.written == today


@settings(max_examples=25, deadline=None)
@given(st.floats(min_value=-90, max_value=90, allow_nan=False), st.integers(2, 2**64))
def test_any_number_comes_back_as_it_was(latitude: float, modulus: int) -> None:
    point = {"tag": "TOT", "kind": "totalizer", "table": "input", "register": 9, "modulus": modulus}
    point["layout"] = "uint64"
    site = {**SMALL["site"][0], "latitude": latitude, "longitude": 0.0, "point": [point]}
    today = {**SMALL, "site": [site]}
    made = network_xlsx(today, title="t", revision=1, made_ms=0)
    assert read_tables(read_sent("n.xlsx", made).grids, today).written == today


def test_what_a_spreadsheet_would_take_for_a_formula_is_harmless_and_comes_back() -> None:
    # OWASP, CSV injection: =, +, -, @ at the beginning of a cell.
    for text in ("=1+1", "+48", "-5", "@home", "'=quoted"):
        today = {**SMALL, "site": [{**SMALL["site"][0], "name": text}]}
        made = table_csv(today, "sites").decode()
        assert f",{text}," not in made or text.startswith("'")
        assert reading(made, "s.csv", today).written == today


def test_no_table_holds_what_opens_a_lock() -> None:
    assert b"7731" not in table_csv(SMALL, "sites")
    book = openpyxl.load_workbook(io.BytesIO(network_xlsx(SMALL, title="t", revision=1, made_ms=0)))
    assert book.sheetnames == ["About", "Sites", "Points"]
    cells = [str(cell) for sheet in book for row in sheet.values for cell in row]
    assert not any("7731" in cell for cell in cells)
    assert b"7731" not in network_toml(SMALL, codes=False)
    assert b"7731" in network_toml(SMALL, codes=True)


def test_a_lock_without_its_code_keeps_the_code_of_the_same_gate() -> None:
    text = network_toml(SMALL, codes=False).decode()
    found, kept = with_kept_codes(network_file.parse(text, "x"), SMALL)
    assert (found, kept) == (SMALL, 1)
    other, none = with_kept_codes(network_file.parse(text.replace('"gate"', '"door"'), "x"), SMALL)
    assert none == 0
    assert "code" not in other["site"][0]["lock"][0]


# --- what rows change ---------------------------------------------------------------------


def test_a_column_that_is_not_there_leaves_its_key_and_an_empty_cell_takes_it_away() -> None:
    site = reading("key,poll_every_s,cautions,supply.chemistry\nquill,,dog,gel\n").written["site"][
        0
    ]
    assert "poll_every_s" not in site
    assert site["cautions"] == ["dog"]
    assert site["supply"] == {"kind": "solar", "chemistry": "gel"}
    assert (site["unit"], site["lock"]) == (1, SMALL["site"][0]["lock"])


def test_a_new_key_makes_a_site_and_rows_that_are_not_there_stay() -> None:
    found = reading("key;gateway;unit;profile;latitude;longitude\nosier;mast;2;tank;44,1;-106,3\n")
    assert found.mistakes == ()
    assert [one["key"] for one in found.written["site"]] == ["quill", "osier"]
    assert found.written["site"][1]["latitude"] == 44.1


def test_points_meet_by_owner_and_tag() -> None:
    found = reading("owner\ttag\tvalue\tlimits.high\nsite quill\tLVL\t0 to 4\t3.9\n", "points.tsv")
    assert found.mistakes == ()
    (point,) = found.written["site"][0]["point"]
    assert point == {"tag": "LVL", "value": [0, 4], "limits": {"high": 3.9}}


@pytest.mark.parametrize(
    ("cells", "written"),
    [
        ("input,7,30005", {"table": "input", "register": 7}),  # the register was changed
        ("input,4,30008", {"reference": 30008}),  # the reference was changed
        ("input,4,30005", {"reference": 30005}),  # nothing was
        ("holding,7,40008", {"table": "holding", "register": 7}),  # both, and they agree
    ],
)
def test_a_register_may_be_changed_in_either_notation(cells: str, written: dict[str, Any]) -> None:
    found = reading(f"owner,tag,table,register,reference\nprofile tank,LVL,{cells}\n")
    assert found.mistakes == ()
    point = found.written["profile"][0]["point"][0]
    assert {
        key: point[key] for key in ("table", "register", "reference") if key in point
    } == written


def test_two_notations_that_do_not_agree_are_told() -> None:
    (said,) = told("owner,tag,table,register,reference\nprofile tank,LVL,input,7,30009\n", "p.csv")
    assert said.startswith("p.csv, row 2, column E (reference): The reference means input register")


# --- what is refused, with row and column -----------------------------------------------


def test_what_the_network_does_not_allow_is_told_at_its_cell() -> None:
    assert told("key,unit,supply.kind\nquill,300,sun\n") == [
        "sites.csv, row 2, column B (unit): 300 is outside 1 to 247.",
        'sites.csv, row 2, column C (supply.kind): "sun" is not known here; write "solar",'
        ' "mains-with-battery", "mains" or "primary". The nearest is "solar".',
    ]


def test_a_cell_that_holds_something_else_is_told_once() -> None:
    assert told("key,unit,in_service,poll_every_s\nquill,one,perhaps,60 s\n") == [
        'sites.csv, row 2, column B (unit): "one" is not a number.',
        'sites.csv, row 2, column C (in_service): "perhaps" is neither true nor false.',
        'sites.csv, row 2, column D (poll_every_s): "60 s" is not a number; write it without'
        " unit, gap or thousands.",
    ]


def test_a_decimal_comma_between_commas_is_told() -> None:
    (said,) = told('key,latitude,longitude\nquill,"44,1",5\n')
    assert "column B (latitude)" in said
    assert "a number takes a decimal point" in said


def test_an_unknown_column_is_told_with_the_nearest_one() -> None:
    assert told("key,unitt,lock.code\nquill,4,1\n") == [
        'sites.csv, row 1, column B: There is no column "unitt"; the nearest is "unit".',
        "sites.csv, row 1, column C: Locks are in no table; change them by the site's form or the"
        " network file.",
    ]


def test_a_missing_key_column_and_a_double_one_are_told() -> None:
    (said,) = told("name,unit,unit\nQuill,1,2\n")[1:]
    assert said == "sites.csv, row 1: The column key is missing; it says which site a row is about."
    assert told("key,unit,unit\nquill,1,2\n") == [
        "sites.csv, row 1, column C: Column B is called unit already; keep one."
    ]


def test_a_key_on_two_rows_is_told_on_both() -> None:
    assert told("key,name\nquill,A\n\nquill,B\n") == [
        "sites.csv, row 2, column A (key): Row 4 is about quill too; keep one of them.",
        "sites.csv, row 4, column A (key): Row 2 is about quill too; keep one of them.",
    ]
    twice = told("owner,tag\nsite quill,LVL\nsite quill,LVL\n", "p.csv")
    assert [said[:29] for said in twice] == [
        "p.csv, row 2, column B (tag):",
        "p.csv, row 3, column B (tag):",
    ]


def test_a_point_of_nobody_is_told() -> None:
    (said,) = told("owner,tag\nprofil tank,LVL\n", "p.csv")
    assert said.startswith('p.csv, row 2, column A (owner): "profil tank" owns no points; the')
    assert '"profile tank"' in said


def test_an_error_of_a_spreadsheet_is_told() -> None:
    (said,) = told("key,unit\nquill,#REF!\n")
    assert said.startswith(
        "sites.csv, row 2, column B (unit): The spreadsheet shows the error #REF!"
    )


def test_a_mistake_between_two_rows_is_told_where_it_is_made() -> None:
    (said,) = told("key,gateway,unit,profile\nosier,mast,1,tank\n")
    assert said.startswith("sites.csv, row 2, column C (unit): Unit 1 on gateway mast is quill")


def test_a_mistyped_key_is_not_taken_for_a_new_site_with_gaps() -> None:
    assert told("key,poll_every_s\nquil,30\n") == [
        'sites.csv, row 2, column A (key): There is no site "quil" yet; a new one needs gateway,'
        ' unit, profile. If another was meant: the nearest is "quill".'
    ]

"""What bounds a set-point goes through file, form and table, key for key."""

from pathlib import Path

from tests.domain.orders.around import SET

from tallymast.domain.network_file import dump, parse
from tallymast.domain.setup.cells import Kind, value_of
from tallymast.domain.setup.fields import fields_of
from tallymast.domain.setup.form_bodies import body_of, texts_of
from tallymast.domain.setup.point_effects import meaning
from tallymast.domain.setup.point_fields import POINT_GROUPS
from tallymast.domain.setup.tables import COLUMNS, kind_of, point_rows

DISTRICT = Path(__file__).parents[1] / "grammar" / "district.toml"
WRITTEN = parse(DISTRICT.read_text(encoding="utf-8"), DISTRICT.name)
FIELDS = list(fields_of(POINT_GROUPS))


def test_an_export_says_what_the_import_said() -> None:
    text = dump(WRITTEN)
    assert "set_range = [2, 40.5]" in text
    assert "set_rate = 5" in text
    assert parse(text, "export.toml") == WRITTEN


def test_a_form_shows_both_ends_and_takes_them_back() -> None:
    body = {"set_range": [2, 40.5], "set_rate": 5}
    shown = texts_of(FIELDS, body)
    assert (shown["set_range.from"], shown["set_range.to"], shown["set_rate"]) == ("2", "40.5", "5")
    assert body_of(FIELDS, shown, {}) == (body, {})


def test_a_table_has_a_column_for_each() -> None:
    columns = COLUMNS["points"]
    row = next(one for one in point_rows(WRITTEN) if one[1] == "SET")
    cells = {name: row[columns.index(name)] for name in ("set_range", "set_rate")}
    assert cells["set_rate"] == 5
    assert kind_of("points", "set_range") is Kind.PAIR
    assert value_of(str(cells["set_range"]), Kind.PAIR, False) == [2, 40.5]


def test_a_proof_does_not_speak_of_the_bounds_of_a_set_point() -> None:
    bare = meaning(SET)
    assert (bare.set_range, bare.set_rate, bare.write) == (None, None, SET.write)

"""A network file's text: codes hidden and put back, and the line a mistake is about."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.setup.file_lines import line_of
from tallymast.domain.setup.hidden_codes import with_codes, without_codes

TEXT = """title = "Two"
[[gateway]]
name = "Mast"
key = "mast"

[[profile]]
key = "tank"
  [[profile.point]]
  tag = "LVL"
  limits = { high = 3 }

[[site]]
key = "quill"
unit = 300
  [site.supply]
  kind = "sun"
  [[site.lock]]
  where = "gate"
  code = "7731"
  [[site.point]]
  unit = "m"
  tag = "LVL"
[[site]]
unit = 2
"""


@pytest.mark.parametrize(
    ("place", "key", "line"),
    [
        ("", "title", 1),
        ("gateway mast", "name", 3),
        ("gateway mast", "address", 2),  # it is missing: the heading is told
        ("profile tank.point LVL", "limits.high", 10),
        ("site quill", "unit", 14),
        ("site quill.supply", "kind", 16),
        ("site quill.lock number 1", "code", 19),
        ("site quill.point LVL", "unit", 21),
        ("site number 2", "unit", 24),
        ("site osier", "unit", None),
    ],
)
def test_a_mistake_is_found_in_its_line(place: str, key: str, line: int | None) -> None:
    assert line_of(TEXT, place, key) == line


@pytest.mark.parametrize(
    "secret",
    [
        'code = "7731"',
        "code = '7731' # north gate",
        "code= 7731",
        '"code" = "7731',
        'code = """\n7731\n"""',
        'lock = [{ where = "a", code = "7731" }, { where = "b", code = "7732" }]',
        'code: "7731"',
    ],
)
def test_a_code_is_hidden_however_it_is_written_and_comes_back(secret: str) -> None:
    text = f'where = "gate"\n{secret}\nunit = 1\n'
    shown, codes = without_codes(text)
    assert "773" not in shown
    assert "unit = 1" in shown
    assert with_codes(shown, codes) == text


@given(st.text(alphabet="code = \"'\n1«»kept #", max_size=60))
def test_any_text_comes_back(text: str) -> None:
    if "«kept " not in text:
        shown, codes = without_codes(text)
        assert with_codes(shown, codes) == text


def test_a_mark_nobody_made_stays() -> None:
    assert with_codes("code = «kept 7»", ("a",)) == "code = «kept 7»"

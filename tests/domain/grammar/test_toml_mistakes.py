"""A text that is not TOML is told line by line, in words a technician can act on."""

import pytest

from tallymast.domain.errors import ConfigError
from tallymast.domain.network_file import parse


def told(text: str) -> tuple[str, ...]:
    with pytest.raises(ConfigError) as failure:
        parse(text, "net.toml")
    return failure.value.mistakes


# What TOML 1.0 forbids, and the part of the sentence that helps.
@pytest.mark.parametrize(
    ("line", "place", "part"),
    [
        ("title = Ombrel", "title", "double quotes"),
        ("title = “Ombrel”", "title", "straight double quotes"),
        ('title = "Ombrel', "title", "closing quote"),
        ('title = "Ombrel" Basin', "title", "behind the closing quote"),
        ("title", "line 1", "neither key = value nor a heading"),
        ("title =", "title", "value is missing"),
        ("title: 5", "title", "parted by ="),
        ('title = "C:\\data"', "title", "backslash"),
        ("latitude = 44,10", "latitude", "decimal point, not a comma"),
        ("latitude = .5", "latitude", "both sides"),
        ("latitude = 5.", "latitude", "both sides"),
        ("unit = 03", "unit", "without a 0"),
        ("poll_every_s = 60 s", "poll_every_s", "without unit"),
        ("poll_every_s = 60s", "poll_every_s", "without unit"),
        ("baud = 9 600", "baud", "without unit or gap"),
        ("in_service = True", "in_service", "small letters"),
        ("installed = 2022-02-30", "installed", "no such day"),
        ("installed = 2022-13-01", "installed", "no such day"),
        ("installed = 01.05.2022", "installed", "2022-05-01"),
        ("address = 192.0.2.10:502", "address", "double quotes"),
        ("raw = (4000, 20000)", "raw", "square brackets"),
        ("raw = [4000, 20000", "raw", "closing square bracket"),
        ("limits = { low = 1, low = 2 }", "limits", "twice"),
        ("limits = { low = 1", "limits", "closing brace"),
        ("limits = { low = 1, }", "limits", "without a comma"),
        ("[[site]", "line 1", "closing bracket"),
        ("= 3", "line 1", "key is missing"),
    ],
)
def test_says_what_is_wrong_with_a_line(line: str, place: str, part: str) -> None:
    (sentence,) = told(line + "\n")
    assert sentence.startswith(f"net.toml: [{place}] ")
    assert part in sentence
    assert f"Line 1: {line}" in sentence


def test_names_site_and_point_of_a_faulty_line() -> None:
    text = """
[[gateway]]
key = "marrowdun"
baud = 9600 Bd

[[site]]
key = "upper-weir"
latitude = 44,14
  [site.supply]
  installed = 2022-02-30
  [[site.point]]
  tag = "LVL"
  unit = m

[[site]]
unit = 03
key = "tern-flat"
"""
    assert [sentence.split("]")[0] for sentence in told(text)] == [
        "net.toml: [gateway marrowdun baud",
        "net.toml: [site upper-weir latitude",
        "net.toml: [site upper-weir.supply installed",
        "net.toml: [site upper-weir.point LVL unit",
        "net.toml: [site tern-flat unit",
    ]


def test_a_key_written_twice_points_at_the_second_line() -> None:
    (sentence,) = told('[[site]]\nkey = "a"\nunit = 3\nunit = 4')
    assert sentence.startswith("net.toml: [site a unit] This is written already")
    assert "[[site]]" in sentence
    assert sentence.endswith("Line 4: unit = 4")


def test_single_brackets_for_one_of_many_are_explained() -> None:
    (sentence,) = told('[site]\nkey = "a"\n[site]\nkey = "b"\n')
    assert sentence.startswith("net.toml: [line 3] ")
    assert "[[site]]" in sentence


def test_a_list_that_is_not_closed_is_blamed_not_what_follows() -> None:
    text = 'raw = [\n  4000, 20000]\nvalue = [0.0, 100.0\nunit = "%"\npoll = fast\n'
    first, second = told(text)
    assert first.startswith("net.toml: [value] A closing square bracket")
    assert second.startswith("net.toml: [poll] Text stands")


def test_a_faulty_heading_ends_the_list() -> None:
    # What follows would be blamed for nothing: its keys stand under the wrong heading.
    text = '[[site]]\nkey = "a"\nunit = 3\n[[site]\nkey = "b"\nunit = 4\n'
    assert len(told(text)) == 1


def test_a_byte_order_mark_and_foreign_line_ends_are_passed_over() -> None:
    assert parse('\ufefftitle = "Ombrel"\r\ncontract_hour = 7\r\n', "net.toml") == {
        "title": "Ombrel",
        "contract_hour": 7,
    }


def test_a_long_line_is_cut_short() -> None:
    (sentence,) = told("title = " + "x" * 500)
    assert len(sentence) < 200

"""What a visit needs in the network file; what opens a lock is repeated in no sentence."""

from collections.abc import Callable

import pytest
from tests.domain.grammar.conftest import DISTRICT

from tallymast.domain.errors import ConfigError
from tallymast.domain.model import Lock
from tallymast.domain.network_file import differences, dump, parse, read

Once = Callable[..., str]

LOCKS = '[[site.lock]]\n  where = "bank gate"\n  code = "0417-B"'


def weir_of(text: str = DISTRICT) -> dict[str, object]:
    (found,) = [one for one in parse(text, "net.toml")["site"] if one["key"] == "upper-weir"]
    return dict(found)


def test_a_visit_finds_road_coverage_drawing_and_locks() -> None:
    (weir,) = [one for one in read(DISTRICT, "net.toml")[1].sites if one.key == "upper-weir"]
    assert weir.road == "County road, then the bank."
    assert (weir.coverage, weir.drawing) == ("Weak on the bank.", "None kept.")
    assert weir.locks == (Lock("bank gate", "0417-B"), Lock("cabinet"))


def test_what_is_written_for_a_visit_comes_back_key_for_key() -> None:
    again = parse(dump(parse(DISTRICT, "net.toml")), "net.toml")
    assert again == parse(DISTRICT, "net.toml")
    assert weir_of()["lock"] == [
        {"where": "bank gate", "code": "0417-B"},
        {"where": "cabinet"},
    ]


@pytest.mark.parametrize(
    ("old", "new", "place", "part"),
    [
        ('  where = "bank gate"\n', "", "lock number 1 where", "missing"),
        ('where = "bank gate"', 'wher = "bank gate"', "lock number 1 wher", 'nearest is "where"'),
        ('code = "0417-B"', 'kode = "0417-B"', "lock number 1 kode", 'nearest is "code"'),
        ('code = "0417-B"', "code = 4417", "lock number 1 code", "leading 0"),
        ('code = "0417-B"', 'code = "04\\n17"', "lock number 1 code", "one line"),
        ('code = "0417-B"', 'code = ""', "lock number 1 code", "leave the key out"),
        ('where = "cabinet"', "where = 3", "lock number 2 where", "double quotes"),
    ],
)
def test_a_mistake_in_a_lock_is_told_once_without_its_code(
    told_once: Once, old: str, new: str, place: str, part: str
) -> None:
    sentence = told_once(old, new)
    assert sentence.startswith(f"net.toml: [site upper-weir.{place}] "), sentence
    assert part in sentence
    assert "0417" not in sentence
    assert "4417" not in sentence


@pytest.mark.parametrize(
    ("old", "new", "part"),
    [
        ('road = "County road, then the bank."', "road = 7", "double quotes"),
        ('coverage = "Weak on the bank."', 'cover = "weak"', 'nearest is "coverage"'),
        ('drawing = "None kept."', "drawing = true", "double quotes"),
    ],
)
def test_other_mistakes_are_told_too(told_once: Once, old: str, new: str, part: str) -> None:
    assert part in told_once(old, new)


def test_one_lock_under_a_single_heading_is_told(told_once: Once) -> None:
    other = '  [[site.lock]]\n  where = "cabinet"\n'
    assert "write [[site.lock]]" in told_once(
        LOCKS, LOCKS.replace("[[", "[", 1).replace("]]", "]", 1), other, ""
    )


@pytest.mark.parametrize("line", ['code = "0417-B', "code = 0417", "code 0417", 'code: "0417"'])
def test_a_line_that_is_not_toml_is_shown_without_its_code(line: str) -> None:
    with pytest.raises(ConfigError) as refused:
        read(DISTRICT.replace('code = "0417-B"', line), "net.toml")
    assert "0417" not in "".join(refused.value.mistakes)


def test_a_lock_that_is_no_table_is_not_repeated() -> None:
    text = DISTRICT.replace('road = "County road, then the bank."', 'lock = "gate 0417"')
    for heading in (LOCKS, '[[site.lock]]\n  where = "cabinet"'):
        text = text.replace(heading, "")
    with pytest.raises(ConfigError) as refused:
        read(text, "net.toml")
    (sentence,) = refused.value.mistakes
    assert "[[site.lock]]" in sentence
    assert "0417" not in sentence


@pytest.mark.parametrize(
    ("old", "new", "part"),
    [
        ('code = "0417-B"', 'code = "9921"', 'lock "bank gate": its code was changed.'),
        ('  code = "0417-B"\n', "", 'lock "bank gate": its code was changed.'),
        ('where = "bank gate"', 'where = "deck"', 'lock "deck" is new.'),
        (LOCKS + "\n", "", 'lock "bank gate" is gone.'),
    ],
)
def test_a_changed_lock_is_told_without_its_code(old: str, new: str, part: str) -> None:
    before, after = (parse(one, "net.toml") for one in (DISTRICT, DISTRICT.replace(old, new)))
    told = "\n".join(differences(before, after))
    assert part in told
    assert "0417" not in told
    assert "9921" not in told


def test_locks_in_another_order_are_told() -> None:
    before = parse(DISTRICT, "net.toml")
    after = parse(DISTRICT, "net.toml")
    next(one for one in after["site"] if one["key"] == "upper-weir")["lock"].reverse()
    assert differences(before, after) == ("Site upper-weir: its locks stand in another order.",)


def test_a_code_is_in_no_text_of_the_lock_itself() -> None:
    assert "0417" not in repr(Lock("bank gate", "0417-B"))

"""Names, passwords and the table of rights."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast import assets
from tallymast.domain.people import (
    LEAST,
    LONGEST,
    SHORTEST,
    WORDS,
    Right,
    Role,
    lesser,
    may,
    name_of,
    plain,
    wrong_with,
    wrong_with_name,
)

COMMON = assets.common_passwords()


def test_the_whole_table_as_it_is_told() -> None:
    # Written out by hand, so that a change of the table is a change of this test.
    rights = {
        Role.VIEWER: {Right.SEE, Right.OWN, Right.EXPORT},
        Role.OPERATOR: {
            Right.SEE,
            Right.OWN,
            Right.EXPORT,
            Right.NOTE,
            Right.POLL,
            Right.MARK,
            Right.ALARM,
            Right.OPERATE,
            Right.PROVE,
        },
        Role.TECHNICIAN: {
            Right.SEE,
            Right.OWN,
            Right.EXPORT,
            Right.NOTE,
            Right.POLL,
            Right.MARK,
            Right.ALARM,
            Right.OPERATE,
            Right.PROVE,
            Right.LISTEN,
            Right.LOCKS,
            Right.SETUP,
        },
        Role.SUPERVISOR: set(Right),
    }
    assert {role: {right for right in Right if may(role, right)} for role in Role} == rights


def test_every_right_has_a_role_and_words() -> None:
    assert set(LEAST) == set(WORDS) == set(Right)


@given(st.sampled_from(Role), st.sampled_from(Role), st.sampled_from(Right))
def test_of_two_roles_the_lesser_may_what_both_may(one: Role, other: Role, right: Right) -> None:
    assert may(lesser(one, other), right) == (may(one, right) and may(other, right))


def test_a_name_is_the_same_however_it_is_typed() -> None:
    # RFC 8265 section 3.3: case mapping, then NFC; U+0065 U+0301 composes to U+00E9.
    assert name_of(" Rene\u0301 ") == "ren\u00e9" == name_of("REN\u00c9")


@pytest.mark.parametrize("name", ["r.hale", "m-okoro", "\u00e5sa_2", "7up"])
def test_names_that_can_be_used(name: str) -> None:
    assert wrong_with_name(name) == ""


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("a", "2 to 40"),
        ("x" * 41, "2 to 40"),
        ("r hale", "letters, digits"),
        ("r\nhale", "letters, digits"),
        ("<b>", "letters, digits"),
        (".hale", "begins with"),
        ("local", "stands for"),
    ],
)
def test_names_that_cannot(name: str, why: str) -> None:
    assert why in wrong_with_name(name)


def test_a_long_sentence_of_any_characters_is_a_password() -> None:
    # ASVS 5.0.0 6.2.5 (no composition rules), 6.2.8 (no truncation), 6.2.9 (at least 64).
    assert wrong_with("all lower case and only letters", (), COMMON) == ""
    assert wrong_with("\u2603 snow falls on the weir \u2603" * 3, (), COMMON) == ""
    assert wrong_with("ab c" * 16 + "defgh", (), COMMON) == ""


@pytest.mark.parametrize(
    ("password", "why"),
    [
        ("short pass", "at least 12"),
        ("x1y2z" * 60, "at most 256"),
        ("aaaaaaaaaaaabbbb", "repeats a few"),
        ("1234567890123", "among the first"),
        ("password1234!", "among the first"),
        ("Password!!!!2026", "among the first"),
        ("r.hale-2026-2027", "name it protects"),
        ("R.Haler.hale", "name it protects"),
        ("ombrel basin 12", "name it protects"),
    ],
)
def test_passwords_that_are_refused_and_why(password: str, why: str) -> None:
    assert why in wrong_with(password, ("r.hale", "Ombrel Basin"), COMMON)


def test_the_list_holds_the_commonest_passwords() -> None:
    # ASVS 5.0.0 6.2.4. The first ten of the list that Django 5.2 ships.
    first = "123456 123456789 qwerty password 111111 12345678 abc123 1234567 password1 12345"
    assert set(first.split()) <= COMMON
    assert len(COMMON) > 3000
    assert all(one == one.lower() for one in COMMON)


@given(st.text(max_size=300))
def test_plain_text_is_one_line_without_controls(text: str) -> None:
    # ASVS 5.0.0 16.4.1: nothing that is written can look like another line of the log.
    found = plain(text, 100)
    assert len(found) <= 100
    assert not [one for one in found if unicodedata.category(one)[0] == "C"]
    assert found == " ".join(found.split()) or len(found) == 100


def test_the_bounds_are_those_that_are_told() -> None:
    assert SHORTEST >= 8  # ASVS 5.0.0 6.2.1
    assert LONGEST >= 64  # ASVS 5.0.0 6.2.9

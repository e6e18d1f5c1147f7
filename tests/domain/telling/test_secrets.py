"""Which secret signs, what its variable is called, and what is said where none does."""

from dataclasses import replace

import pytest

from tallymast.domain.telling.model import Contact, Way
from tallymast.domain.telling.secrets import PREFIX, found, secret_of, variable_of, worries
from tallymast.settings import webhook_secrets

DESK = Contact(1, "Pager desk", Way.WEBHOOK, "https://pager.example/", "s" * 32)
VARIABLE = "TALLYMAST_WEBHOOK_SECRET_PAGER_DESK"
LONG = "e" * 32
T0 = 1_772_964_000_000


@pytest.mark.parametrize(
    ("name", "end"),
    [
        ("Pager desk", "PAGER_DESK"),
        ("  pager--desk (2)!", "PAGER_DESK_2"),
        ("Büro Réyes", "BURO_REYES"),  # Unicode's compatibility decomposition (UAX 15, NFKD)
    ],
)
def test_a_variable_is_called_as_its_contact(name: str, end: str) -> None:
    assert variable_of(name) == f"TALLYMAST_WEBHOOK_SECRET_{end}"


def test_a_name_of_no_letters_from_a_to_z_has_no_variable() -> None:
    assert variable_of("水位") == ""
    assert secret_of(replace(DESK, name="水位"), {PREFIX: LONG}) == DESK.secret


def test_the_environments_secret_comes_before_the_databases() -> None:
    assert secret_of(DESK, {VARIABLE: LONG}) == LONG
    assert secret_of(DESK, {f"{VARIABLE}_2": LONG}) == DESK.secret


def test_what_signs_nothing_is_told_and_no_secret_is() -> None:
    bare = replace(DESK, secret="")
    assert worries([DESK], found({}, T0)) == ()
    assert worries([bare], found({VARIABLE: LONG}, T0)) == ()
    (none,) = worries([bare], found({}, T0))
    assert none.startswith("Nothing signs what is sent to Pager desk")
    assert VARIABLE in none
    (short,) = worries([DESK], found({VARIABLE: "too short"}, T0))
    assert "needs at least 32 characters" in short  # RFC 2104 §3: as long as the digest
    (stray,) = worries([DESK], found({f"{VARIABLE}S": LONG}, T0))
    assert stray == f"{VARIABLE}S is set, and no webhook has a name for it."
    assert "too short'" not in repr(found({VARIABLE: "too short"}, T0))


def test_secrets_are_read_from_the_environment_and_printed_nowhere() -> None:
    given = {VARIABLE.lower(): LONG, f"{VARIABLE}_2": "", "TALLYMAST_PORT": "1", "HOME": "/"}
    read = webhook_secrets(given)
    assert {name: one.get_secret_value() for name, one in read.items()} == {VARIABLE: LONG}
    assert LONG not in f"{read} {DESK!r}"
    assert DESK.secret not in repr(DESK)

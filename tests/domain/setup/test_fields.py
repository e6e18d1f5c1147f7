"""Every key of the network file has one field, and nothing else has."""

from collections.abc import Iterator, Mapping, Set
from typing import Any

import pytest

from tallymast.domain.grammar.keys import GATEWAY, LOCK, NETWORK, POINT, PROFILE, SITE, SUPPLY
from tallymast.domain.setup.fields import Groups, Kind, field_of, fields_of
from tallymast.domain.setup.network_fields import GATEWAY_GROUPS, NETWORK_GROUPS, PROFILE_GROUPS
from tallymast.domain.setup.point_fields import POINT_GROUPS
from tallymast.domain.setup.site_fields import LOCK_FIELDS, SITE_GROUPS

Grammar = Mapping[str, Any]
# Tables of their own: they have pages, or rows, or a part of the site's form.
OWN = frozenset({"gateway", "profile", "site", "point", "lock", "supply"})


def keys_of(grammar: Grammar, before: str = "", own: Set[str] = OWN) -> Iterator[str]:
    for key, rule in grammar.items():
        if isinstance(rule, Mapping):
            yield from keys_of(rule, f"{before}{key}.")
        elif before or key not in own:
            yield before + key


# A site names its gateway and its profile by their keys.
SITE_KEYS = [*keys_of(SITE, own=OWN - {"gateway", "profile"}), *(f"supply.{key}" for key in SUPPLY)]


@pytest.mark.parametrize(
    ("groups", "keys"),
    [
        (NETWORK_GROUPS, list(keys_of(NETWORK))),
        (GATEWAY_GROUPS, list(keys_of(GATEWAY))),
        (PROFILE_GROUPS, list(keys_of(PROFILE))),
        (POINT_GROUPS, list(keys_of(POINT))),
        (SITE_GROUPS, SITE_KEYS),
    ],
    ids=["network", "gateway", "profile", "point", "site"],
)
def test_every_key_of_the_file_has_exactly_one_field(groups: Groups, keys: list[str]) -> None:
    asked = [key for field in fields_of(groups) for key in field.keys]
    assert sorted(asked) == sorted(keys)


def test_a_lock_is_asked_for_key_by_key() -> None:
    assert [field.key for field in LOCK_FIELDS] == list(LOCK)


ALL = (*NETWORK_GROUPS, *GATEWAY_GROUPS, *PROFILE_GROUPS, *SITE_GROUPS, *POINT_GROUPS)


@pytest.mark.parametrize("group", ALL, ids=lambda group: group.title)
def test_words_to_choose_from_are_those_the_file_takes(group: Any) -> None:
    grammars = (NETWORK, GATEWAY, PROFILE, SITE, POINT, {"supply": SUPPLY})
    for field in group.fields:
        outer, _, inner = field.key.partition(".")
        rules = [grammar[outer] for grammar in grammars if outer in grammar]
        for word, _ in field.words:
            value = int(word) if field.kind is Kind.WHOLE_CHOICE else word
            nested = [rule[inner] for rule in rules if inner and isinstance(rule, Mapping)]
            checks = nested or [rule for rule in rules if callable(rule)]
            assert any(_fits(check, value) for check in checks), (field.key, word)


def _fits(check: Any, value: Any) -> bool:
    try:
        check(value)
    except Exception:
        return False
    return True


def test_labels_are_the_trades_words_and_no_two_on_a_form_are_alike() -> None:
    for groups in (GATEWAY_GROUPS, PROFILE_GROUPS, SITE_GROUPS, POINT_GROUPS):
        labels = [field.label for field in fields_of(groups)]
        assert len(labels) == len(set(labels))
        assert not [label for label in labels if "_" in label]


def test_a_table_in_braces_is_found_by_its_first_field() -> None:
    found = field_of(POINT_GROUPS, "limits")
    assert found is not None
    assert found.key == "limits.low_low"
    written = field_of(POINT_GROUPS, "write.reference")
    assert written is not None
    assert written.kind is Kind.ADDRESS
    assert field_of(POINT_GROUPS, "colour") is None

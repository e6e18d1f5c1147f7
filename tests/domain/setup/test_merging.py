"""Two people change one thing: neither loses what they did."""

from tallymast.domain.setup.fields import fields_of
from tallymast.domain.setup.form_bodies import body_of, texts_of
from tallymast.domain.setup.merging import merge
from tallymast.domain.setup.network_fields import GATEWAY_GROUPS

FIELDS = list(fields_of(GATEWAY_GROUPS))
WAS = {"key": "m", "name": "Mast", "address": "192.0.2.1:502", "retries": 2}


def test_theirs_is_taken_where_nothing_was_typed_and_mine_stays() -> None:
    typed = {**texts_of(FIELDS, WAS), "name": "Hill mast"}
    now = {**WAS, "retries": 4, "baud": 19200}
    merged = merge(FIELDS, typed, WAS, now)
    body, _ = body_of(FIELDS, merged.texts, now)
    assert body == {**now, "name": "Hill mast"}
    assert merged.clashes == {}


def test_where_both_wrote_mine_stays_and_theirs_is_told() -> None:
    typed = {**texts_of(FIELDS, WAS), "retries": "3", "transport": "serial"}
    merged = merge(FIELDS, typed, WAS, {**WAS, "retries": 4, "transport": "modbus-tcp"})
    assert merged.texts["retries"] == "3"
    assert merged.clashes["retries"] == 'Meanwhile "4" was stored here.'
    assert "Modbus/TCP" in merged.clashes["transport"]


def test_what_both_wrote_alike_is_no_clash() -> None:
    typed = {**texts_of(FIELDS, WAS), "retries": "4"}
    assert merge(FIELDS, typed, WAS, {**WAS, "retries": 4}).clashes == {}


def test_what_they_took_away_is_told_as_nothing() -> None:
    typed = {**texts_of(FIELDS, WAS), "retries": "5"}
    now = {key: value for key, value in WAS.items() if key != "retries"}
    assert merge(FIELDS, typed, WAS, now).clashes["retries"] == "Meanwhile nothing was stored here."

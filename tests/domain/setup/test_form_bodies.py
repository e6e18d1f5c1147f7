"""What is typed becomes what is written, and back; nothing that was not typed is written."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.network_file import parse
from tallymast.domain.setup.fields import Field, Groups, fields_of
from tallymast.domain.setup.form_bodies import body_of, echo_of, texts_of
from tallymast.domain.setup.network_fields import GATEWAY_GROUPS, NETWORK_GROUPS, PROFILE_GROUPS
from tallymast.domain.setup.point_fields import POINT_GROUPS
from tallymast.domain.setup.site_fields import SITE_GROUPS

DEMO = Path(__file__).parents[3] / "demo_data" / "ombrel-basin.toml"
TABLES = ("gateway", "profile", "site")


def things() -> list[Any]:
    """Everything the demo's network lists, each with the form it is shown in."""
    written = parse(DEMO.read_text(encoding="utf-8"), DEMO.name)
    top = {key: value for key, value in written.items() if key not in TABLES}
    found: list[Any] = [pytest.param(NETWORK_GROUPS, top, id="network")]
    forms = {"gateway": GATEWAY_GROUPS, "profile": PROFILE_GROUPS, "site": SITE_GROUPS}
    for table, groups in forms.items():
        for body in written[table]:
            own = {key: value for key, value in body.items() if key not in ("point", "lock")}
            found.append(pytest.param(groups, own, id=f"{table} {body['key']}"))
            for point in body.get("point", []):
                name = f"{table} {body['key']} {point['tag']}"
                found.append(pytest.param(POINT_GROUPS, point, id=name))
    return found


@pytest.mark.parametrize(("groups", "body"), things())
def test_a_form_that_is_only_looked_at_writes_what_was_written(
    groups: Groups, body: dict[str, Any]
) -> None:
    fields = list(fields_of(groups))
    shown = texts_of(fields, body)
    # From nothing: every value comes out of its text, none out of what was there before.
    assert body_of(fields, shown, {}) == (body, {})
    again, told = body_of(fields, shown, body)
    assert again == body
    assert told == {}
    assert all(type(again[key]) is type(value) for key, value in body.items())


POINT = list(fields_of(POINT_GROUPS))
GATEWAY = list(fields_of(GATEWAY_GROUPS))


def typed(fields: list[Field], **texts: str) -> tuple[dict[str, Any], dict[str, str]]:
    return body_of(fields, {key.replace("__", "."): text for key, text in texts.items()}, {})


def test_an_empty_field_leaves_its_key_out() -> None:
    blank = {name: "" for field in POINT for name in field.inputs}
    assert body_of(POINT, blank, {}) == ({}, {})
    assert body_of(POINT, {**blank, "unit": "  "}, {"unit": "m", "tag": "LVL"})[0] == {}


def test_what_a_form_does_not_show_stays() -> None:
    before = {"tag": "LVL", "unit": "m", "colour": "green", "limits": {"high": 3.0}}
    body, _ = body_of(POINT, {"unit": "kPa"}, before)
    assert body == {**before, "unit": "kPa"}


def test_texts_become_the_types_of_the_file() -> None:
    body, told = typed(
        POINT,
        tag="OUT",
        raw__from="0",
        raw__to="100",
        limits__high="4.5",
        words__off="shut",
        words__on="open",
        register="30005",
        write__register="coil 2",
        write__function="5",
        bit="3",
    )
    assert told == {}
    assert body == {
        "tag": "OUT",
        "reference": 30005,
        "bit": 3,
        "raw": [0, 100],
        "words": ["shut", "open"],
        "limits": {"high": 4.5},
        "write": {"table": "coil", "register": 2, "function": 5},
    }
    gateway, _ = typed(GATEWAY, local_echo="yes", retries="0", stop_bits="2")
    assert gateway == {"local_echo": True, "retries": 0, "stop_bits": 2}


def test_ranges_are_read_line_by_line() -> None:
    fields = list(fields_of(PROFILE_GROUPS))
    lines = "input 40 to 47\r\n40001 to 40003\nholding 9\n\n"
    body, told = typed(fields, spare=lines)
    assert told == {}
    assert body["spare"] == [["input", 40, 47], ["holding", 0, 2], ["holding", 9, 9]]
    _, told = typed(fields, spare="from 4 on")
    assert "write" in told["spare"]


def test_a_decimal_comma_has_a_sentence_of_its_own() -> None:
    body, told = typed(GATEWAY, reply_timeout_s="2,5")
    assert "write the decimal point, 2.5" in told["reply_timeout_s"]
    assert body == {"reply_timeout_s": "2,5"}


def test_what_is_no_number_stays_as_it_was_typed() -> None:
    assert typed(GATEWAY, retries="two") == ({"retries": "two"}, {})


def test_half_a_pair_is_told() -> None:
    _, told = typed(POINT, raw__from="4000", raw__to="")
    assert told == {"raw": "Both numbers are needed: a scale has two ends."}
    _, told = typed(POINT, words__off="", words__on="open")
    assert "one for 0, one for 1" in told["words"]


def test_a_number_alone_needs_its_table_unless_the_profile_has_it() -> None:
    _, told = typed(POINT, register="4")
    assert "choose its table beside" in told["register"]
    below = {"table": "input", "register": 9}
    body, told = body_of(POINT, {"register": "4", "register.table": ""}, {}, below)
    assert (body, told) == ({"register": 4}, {})
    (field,) = [one for one in POINT if one.key == "register"]
    assert echo_of(field, body, below).startswith("input register 4 on the wire, 30005")


def test_another_notation_takes_the_place_of_the_one_before() -> None:
    body, _ = body_of(POINT, {"register": "holding 7"}, {"tag": "A", "reference": 30005})
    assert body == {"tag": "A", "table": "holding", "register": 7}


@given(st.floats(allow_nan=False, allow_infinity=False, width=64) | st.integers(-(10**9), 10**9))
def test_a_number_is_shown_as_it_is_read(number: float) -> None:
    shown = texts_of(GATEWAY, {"altitude_m": number})
    body, told = body_of(GATEWAY, shown, {})
    assert told == {}
    assert body["altitude_m"] == number


@given(st.lists(st.text(st.characters(exclude_categories=["C"]), min_size=1).map(str.strip)))
def test_lines_are_shown_as_they_are_read(lines: list[str]) -> None:
    kept = [" ".join(one.split()) for one in lines if one.split()]
    fields = list(fields_of(SITE_GROUPS))
    body, _ = body_of(fields, texts_of(fields, {"cautions": kept}), {})
    assert body.get("cautions", []) == kept

"""A diagnosis as text and back: nothing lost, older texts read, broken ones refused."""

import json
from dataclasses import fields, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.domain.health.diagnosis.told import antenna, full

from tallymast.domain.errors import DecodeError
from tallymast.domain.health.diagnosis.model import At, Diagnosis, Said, Since
from tallymast.domain.health.diagnosis.written import from_text, to_text


def test_every_field_comes_back_as_it_was_written() -> None:
    told = full()
    defaults = antenna()
    names = [one.name for one in fields(told)]
    changed = {name for name in names if getattr(told, name) != getattr(defaults, name)}
    optional = {"rests_on", "desk", "bring", "cautions", "touched", "rivals", "explains", "tag"}
    assert optional <= changed
    assert from_text(to_text(told)) == told
    assert from_text(to_text(defaults)) == defaults


MOMENTS = st.integers(0, 2**53)


@settings(max_examples=50)
@given(
    st.floats(allow_nan=False, allow_infinity=False),
    st.lists(st.one_of(st.text(max_size=9), MOMENTS.map(At), MOMENTS.map(Since)), max_size=4),
)
def test_whatever_is_said_comes_back(score: float, values: list[str | At | Since]) -> None:
    told = replace(antenna(), score=score, says=Said(" ".join("{}" for _ in values), *values))
    assert from_text(to_text(told)) == told


def test_the_text_is_plain_json_in_order_of_its_keys() -> None:
    body = json.loads(to_text(full()))
    assert list(body) == sorted(body)
    times = [{"at": 1_772_928_000_000}, {"time": 1_772_928_060_000}]
    assert body["says"]["values"] == ["19\u00a0dB", *times]
    assert body["explains"] == ["count", "point"]
    assert "\n" not in to_text(full())


def test_an_older_text_reads_with_what_it_does_not_say_at_its_default() -> None:
    body = json.loads(to_text(full()))
    for late in ("rests_on", "desk", "bring", "cautions", "touched", "rivals", "explains", "tag"):
        del body[late]
    for late in ("to_ms", "tags", "marks", "levels"):
        del body["chart"][late]
    found = from_text(json.dumps(body))
    assert (found.rivals, found.touched, found.tag) == ((), (), "")
    assert (found.chart.to_ms, found.chart.marks) == (None, ())
    assert found.says == full().says


def test_what_a_later_version_adds_is_left_out() -> None:
    body = json.loads(to_text(antenna()))
    body["smell"] = "burnt"
    body["chart"]["colour"] = "grey"
    assert from_text(json.dumps(body)) == antenna()


def broken() -> dict[str, str]:
    whole = json.loads(to_text(antenna()))
    without = {name: value for name, value in whole.items() if name != "title"}
    return {
        "nothing": "",
        "half": to_text(antenna())[:-7],
        "a list": "[]",
        "no title": json.dumps(without),
        "no such value": json.dumps(whole | {"says": {"text": "{}", "values": [{"on": 1}]}}),
        "a number for words": json.dumps(whole | {"title": 7}),
        "no such matter": json.dumps(whole | {"about": "weather"}),
        "words for sites": json.dumps(whole | {"site_ids": ["twelve"]}),
        "nothing for a chart": json.dumps(whole | {"chart": None}),
    }


@pytest.mark.parametrize("kind", broken())
def test_a_broken_text_is_refused_in_a_sentence(kind: str) -> None:
    with pytest.raises(DecodeError, match="A finding that was kept cannot be read"):
        from_text(broken()[kind])


def test_equal_diagnoses_have_equal_texts() -> None:
    def made(explained: list[str]) -> Diagnosis:
        body = json.loads(to_text(full())) | {"explains": explained}
        return from_text(json.dumps(body))

    assert to_text(made(["count", "point"])) == to_text(made(["point", "count"]))

"""What is wrong stands beside its field; what a change breaks elsewhere is told too."""

from pathlib import Path
from typing import Any

import pytest

from tallymast.domain.network_file import parse
from tallymast.domain.setup.form_mistakes import for_form, sort_mistakes, unasked
from tallymast.domain.setup.network_fields import GATEWAY_GROUPS
from tallymast.domain.setup.point_fields import POINT_GROUPS
from tallymast.domain.setup.site_fields import SITE_GROUPS
from tallymast.domain.setup.things import Thing, find, put

DEMO = Path(__file__).parents[3] / "demo_data" / "ombrel-basin.toml"


@pytest.fixture(scope="module")
def demo() -> dict[str, Any]:
    return parse(DEMO.read_text(encoding="utf-8"), DEMO.name)


def changed(demo: dict[str, Any], thing: Thing, **keys: Any) -> tuple[dict[str, Any], Any]:
    body = {**(find(demo, thing) or {}), **keys}
    return body, put(demo, thing, body)


def test_each_sentence_stands_beside_its_field(demo: dict[str, Any]) -> None:
    thing = Thing("site", "upper-weir")
    supply = {"kind": "solar", "disconnect_v": 40}
    body, after = changed(demo, thing, unit=1, supply=supply, lock=[{"code": "1"}])
    wrong = sort_mistakes(after, thing, body, SITE_GROUPS, {})
    assert "Unit 1 behind this gateway is Quill Tank already" in wrong.beside["unit"][0]
    assert "not plausible" in wrong.beside["supply.disconnect_v"][0]
    assert wrong.beside["lock.0.where"][0].startswith("This is needed")
    assert (wrong.here, wrong.elsewhere) == ((), ())
    assert wrong.count == 3


def test_a_point_is_told_apart_from_its_station(demo: dict[str, Any]) -> None:
    thing = Thing("profile", "tank", True, "LVL")
    body, after = changed(demo, thing, limits={"high": 9.0}, kind="analogue")
    wrong = sort_mistakes(after, thing, body, POINT_GROUPS, {})
    assert "analogue" in wrong.beside["kind"][0]
    body, after = changed(demo, thing, limits={"low": 3.0, "high": 2.0})
    wrong = sort_mistakes(after, thing, body, POINT_GROUPS, {})
    assert "is not below" in wrong.beside["limits.low_low"][0]


def test_what_breaks_elsewhere_says_where(demo: dict[str, Any]) -> None:
    thing = Thing("profile", "tank", True, "LVL")
    kept = find(demo, thing) or {}
    body = {key: one for key, one in kept.items() if key not in ("raw", "value", "loop")}
    after = put(demo, thing, body)  # sites that scale the level otherwise lose its raw numbers
    wrong = sort_mistakes(after, thing, body, POINT_GROUPS, {})
    assert wrong.elsewhere
    assert all(line.startswith(("Site ", "Profile ")) for line in wrong.elsewhere)


def test_the_forms_own_sentence_takes_the_place_of_the_files(demo: dict[str, Any]) -> None:
    thing = Thing("gateway", "marrowdun")
    body, after = changed(demo, thing, baud="96oo")
    told = sort_mistakes(after, thing, body, GATEWAY_GROUPS, {"baud": "Ours."})
    assert told.beside == {"baud": ("Ours.",)}
    plain = sort_mistakes(after, thing, body, GATEWAY_GROUPS, {})
    assert plain.beside["baud"] == (
        '"96oo" is text; a whole number from 50 to 10000000 is expected.',
    )


def test_while_typing_nobody_is_asked_for_what_is_still_to_come(demo: dict[str, Any]) -> None:
    thing = Thing("site")
    body = {"name": "Alder", "key": "alder", "unit": 500}
    wrong = sort_mistakes(put(demo, thing, body), thing, body, SITE_GROUPS, {})
    assert {"gateway", "profile", "unit"} <= set(wrong.beside)
    assert set(unasked(wrong, SITE_GROUPS, ["gateway", "profile"]).beside) == {"unit"}


@pytest.mark.parametrize(
    ("of_the_file", "of_the_form"),
    [
        ("This key is missing: its unit address.", "This is needed: its unit address."),
        (
            'It says layout = "bool", with bit = 0 to 15.',
            'It says layout "bool", with bit 0 to 15.',
        ),
        ("max_s = 4 is odd", "max s 4 is odd"),
        (
            "A coil is one bit already; leave the key out.",
            "A coil is one bit already; leave it empty.",
        ),
    ],
)
def test_a_form_does_not_speak_of_a_files_writing(of_the_file: str, of_the_form: str) -> None:
    assert for_form(of_the_file) == of_the_form


def test_an_address_that_is_taken_is_told_here_wherever_the_other_stands(
    demo: dict[str, Any],
) -> None:
    # The file tells it at the later of the two: at Upper Weir, unit 3, and at Long Scarp.
    thing = Thing("site", "quill-tank")
    body, after = changed(demo, thing, unit=3)
    wrong = sort_mistakes(after, thing, body, SITE_GROUPS, {})
    assert "is Upper Weir already" in wrong.beside["unit"][0]
    assert wrong.count == 1
    mast = Thing("gateway", "marrowdun")
    body, after = changed(demo, mast, address="127.0.0.1:5021")
    wrong = sort_mistakes(after, mast, body, GATEWAY_GROUPS, {})
    assert "is the address of Long Scarp mast already" in wrong.beside["address"][0]
    assert wrong.count == 1

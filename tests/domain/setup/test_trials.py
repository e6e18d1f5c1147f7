"""A draft is read as a station of its own, by its own layout."""

from pathlib import Path
from typing import Any

import pytest

from tallymast.domain.model import Quality, Table
from tallymast.domain.network_file import build, parse
from tallymast.domain.setup.trials import Trial, trial_again, trial_of, tried

DEMO = Path(__file__).parents[3] / "demo_data" / "ombrel-basin.toml"


@pytest.fixture(scope="module")
def demo() -> dict[str, Any]:
    return parse(DEMO.read_text(encoding="utf-8"), DEMO.name)


def trial(demo: dict[str, Any], profile: str = "tank", unit: Any = 19) -> Trial:
    found = trial_of(demo, profile, "marrowdun", unit, None, [])
    assert isinstance(found, Trial)
    return found


def test_a_station_in_use_lends_its_patience(demo: dict[str, Any]) -> None:
    site = next(one for one in build(demo, "x").sites if one.key == "cress-spring")
    found = trial_of(demo, "meter", "long-scarp", site.unit, site, [])
    assert isinstance(found, Trial)
    # Behind the Saddle repeater: the mast's 2.0 s and one hop of 1.0 s (common practice).
    assert found.site.reply_timeout_s == site.reply_timeout_s
    assert found.site.reply_timeout_s >= 3.0


def test_it_is_read_again_by_the_blocks_that_were_asked(demo: dict[str, Any]) -> None:
    first = trial(demo)
    blocks = [[str(one.table), one.start, one.count] for one in first.blocks]
    again = trial_again(first.written, blocks)
    assert again.layout.points == first.layout.points


def test_words_are_decoded_by_the_draft(demo: dict[str, Any]) -> None:
    found = trial(demo)
    n = next(n for n, one in enumerate(found.blocks) if one.table is Table.INPUT)
    block = found.blocks[n]
    words = bytearray(2 * block.count)
    # 12 000 microamps lie half way from 4 to 20 mA: half of 0 to 6 m. 12 000 = 0x2EE0.
    words[2 * (4 - block.start) : 2 * (5 - block.start)] = bytes.fromhex("2EE0")
    rows = [{"block": n, "heard": "answer", "words": bytes(words).hex()}]
    told = {one.point.tag: one for one in tried(found, rows, 1_000)}
    level = told["LVL"]
    assert level.raw == "2EE0"
    assert level.reading is not None
    assert level.reading.value == pytest.approx(3.0)
    # 0 microamps is no level at all: NAMUR NE 43 calls 3.6 mA and below a failed loop.
    pressure = told["AI2"].reading
    assert pressure is not None
    assert pressure.quality is Quality.NONE
    assert "loop" in pressure.reason
    assert told["OUT1"].reading is None
    assert told["OUT1"].said == ""


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"heard": "refusal", "code": 2, "said": "It has no such register."}, "no such register"),
        ({"heard": "refusal", "code": 2}, "refused, code 02"),
        ({"heard": "silence"}, "no answer"),
        ({"heard": "garbled"}, "not readably"),
    ],
)
def test_what_did_not_come_says_why(demo: dict[str, Any], row: dict[str, Any], said: str) -> None:
    found = trial(demo)
    told = tried(found, [{"block": n, **row} for n in range(len(found.blocks))], 0)
    assert all(said in one.said and one.reading is None for one in told)


def test_bits_are_shown_as_bits(demo: dict[str, Any]) -> None:
    found = trial(demo)
    n = next(n for n, one in enumerate(found.blocks) if one.table is Table.COIL)
    # MODBUS Application Protocol V1.1b3 §6.1: the first coil is the lowest bit.
    told = tried(found, [{"block": n, "heard": "answer", "words": "0002"}], 0)
    raws = {one.point.tag: one.raw for one in told if one.point.table is Table.COIL}
    assert raws == {"OUT1": "0", "OUT2": "1"}


def test_a_draft_that_cannot_be_read_says_why(demo: dict[str, Any]) -> None:
    said = trial_of(demo, "tank", "marrowdun", 500, None, [])
    assert isinstance(said, str)
    assert "outside 1 to 247" in said

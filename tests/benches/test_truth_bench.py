"""Every word two stations served in two days comes back by the API; what is altered is told."""

import json
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from tallymast import cli
from tallymast.benches import truth
from tallymast.domain.errors import ConfigError
from tallymast.domain.model import Order, Point, PointKind, Table, WordLayout

DAY_MS = 86_400_000
SPAN = (truth.END_MS - 2 * DAY_MS, truth.END_MS)
MORNING = (SPAN[0], SPAN[0] + DAY_MS // 6)  # enough for what is altered by hand

# As the contract has them.
LAYOUTS = ["uint16", "int16", "uint32", "int32", "uint64", "float32", "float64"]
LAYOUTS += ["bcd16", "bcd32", "mod10k"]
WIDE = {"uint32": 2, "int32": 2, "uint64": 4, "float32": 2, "float64": 4, "bcd32": 2, "mod10k": 2}
ORDERS = (
    ("high-first", "high-first"),
    ("low-first", "high-first"),
    ("high-first", "low-first"),
    ("low-first", "low-first"),
)


def network() -> str:
    """Two stations: one with every layout in every order, one with contacts, a loop and a text."""
    return "\n".join(
        [
            'title = "Two"\ntime_zone = "UTC"',
            '[[gateway]]\nkey = "mast"\ntransport = "rtu-over-tcp"\naddress = "127.0.0.1:1"',
            '[[profile]]\nkey = "wide"\nmax_words = 60',
            *numbers(),
            '[[profile]]\nkey = "plain"\nspare = [["input", 2, 4]]',
            *plain(),
            site("broad-cut", 3, "wide"),
            site("lone-gate", 4, "plain"),
        ]
    )


def numbers() -> list[str]:
    made, register = [], 0
    for layout in LAYOUTS:
        for word, byte in ORDERS if WIDE.get(layout, 1) > 1 else ORDERS[:3:2]:
            tag = f"N{len(made)}"
            length = "length = 2\n" if layout == "mod10k" else ""
            made.append(
                point(
                    tag,
                    "totalizer" if WIDE.get(layout, 1) > 1 else "counter",
                    "holding",
                    register,
                    layout,
                    f'{length}word_order = "{word}"\nbyte_order = "{byte}"',
                )
            )
            register += WIDE.get(layout, 1)
    return made


def plain() -> list[str]:
    loop = 'raw = [4000, 20000]\nvalue = [0.0, 5.0]\nunit = "m"\nloop = "4-20mA"'
    return [
        point("DOOR", "discrete-input", "input", 0, "bool", "bit = 9"),
        point("FLOAT", "discrete-input", "input", 0, "bool", "bit = 0"),
        point("LVL", "analog-input", "input", 1, "uint16", loop),
        point("VDC", "supply-voltage", "input", 5, "float32", 'unit = "V"'),
        point("RUN", "discrete-input", "discrete", 17, "bool", ""),
        point("REV", "revision", "holding", 9, "text", "length = 4"),
    ]


def point(tag: str, kind: str, table: str, register: int, layout: str, more: str) -> str:
    return (
        f'[[profile.point]]\ntag = "{tag}"\nkind = "{kind}"\ntable = "{table}"\n'
        f'register = {register}\nlayout = "{layout}"\n{more}'
    )


def site(key: str, unit: int, profile: str) -> str:
    return (
        f'[[site]]\nkey = "{key}"\ngateway = "mast"\nunit = {unit}\nprofile = "{profile}"\n'
        "latitude = 44.1\nlongitude = -106.3\nretries = 1"
    )


FAULTS = """
[[fault]]
kind = "lost"
site = "lone-gate"
rate = 0.1

[[fault]]
kind = "noise"
site = "broad-cut"
rate = 0.1
"""


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A folder with the database and the record, and the network's file."""
    folder = tmp_path_factory.mktemp("filled")
    (folder / "two.toml").write_text(network(), encoding="utf-8")
    (folder / "faults.toml").write_text(FAULTS, encoding="utf-8")
    truth.filled(folder, folder / "two.toml", SPAN, 5, folder / "faults.toml")
    return folder, folder / "two.toml"


Altered = Callable[[list[dict[str, Any]]], None]


def record(filled: tuple[Path, Path]) -> list[dict[str, Any]]:
    """Return the simulator's lines of the first morning."""
    lines = [json.loads(line) for line in (filled[0] / "truth.jsonl").read_text().splitlines()]
    return [one for one in lines if milliseconds(one["at"]) < MORNING[1]]


def milliseconds(at: str) -> float:
    return datetime.fromisoformat(at).timestamp() * 1000


def compared(filled: tuple[Path, Path], alter: Altered) -> truth.Tally:
    folder, network_file = filled
    lines = record(filled)
    alter(lines)
    altered = folder / "altered.jsonl"
    altered.write_text("".join(json.dumps(line) + "\n" for line in lines))
    return truth.compared(folder, network_file, altered, MORNING)


def a_line(lines: list[dict[str, Any]], unit: int) -> int:
    """Return the place of the hundredth answer of a station that arrived, of its first block."""
    found = [n for n, one in enumerate(lines) if one["unit"] == unit and one["fate"] == "sent"]
    start = lines[found[0]]["start"]
    return [n for n in found if lines[n]["start"] == start][100]


def test_every_word_of_two_sites_and_days_comes_back(filled: tuple[Path, Path]) -> None:
    tally = truth.compared(filled[0], filled[1], filled[0] / "truth.jsonl", SPAN)
    # Two sites asked every minute for two days, every value in the plan once a poll: at a tenth
    # lost and a second try, one poll in a hundred is missed.
    polls = 2 * 1440 * 0.98
    assert tally.readings > polls * (len(numbers()) + len(plain()))
    assert tally.compared == tally.words > polls * 40
    assert (tally.missing, tally.wrong, tally.invented) == (0, 0, 0)
    assert tally.kept_back > 2 * 1440 * 2 * 0.08  # tries lost or garbled on the way


def test_an_altered_word_is_told(filled: tuple[Path, Path]) -> None:
    def alter(lines: list[dict[str, Any]]) -> None:
        lines[a_line(lines, 3)]["words"][0] ^= 1

    tally = compared(filled, alter)
    assert (tally.missing, tally.wrong, tally.invented) == (0, 1, 0)
    assert "broad-cut N0" in tally.first[0]


def test_an_answer_the_record_of_polls_lacks_is_told(filled: tuple[Path, Path]) -> None:
    def alter(lines: list[dict[str, Any]]) -> None:
        place = a_line(lines, 3)
        late = {**lines[place], "at": lines[place]["at"].replace("Z", "")[:-3] + "999Z"}
        assert late["at"] != lines[place]["at"]
        lines.insert(place, late)

    tally = compared(filled, alter)
    assert (tally.wrong, tally.invented) == (0, 0)
    assert tally.missing == len(late_words(filled))
    assert tally.compared == tally.words - tally.missing


def late_words(filled: tuple[Path, Path]) -> list[int]:
    lines = record(filled)
    words: list[int] = lines[a_line(lines, 3)]["words"]
    return words


def test_a_reading_nobody_served_is_told(filled: tuple[Path, Path]) -> None:
    def alter(lines: list[dict[str, Any]]) -> None:
        at = lines[a_line(lines, 4)]["at"]
        lines[:] = [one for one in lines if one["at"] != at]

    tally = compared(filled, alter)
    assert tally.invented == len(plain())
    assert (tally.missing, tally.wrong) == (0, 0)


def test_a_record_whose_sites_are_mixed_is_refused(filled: tuple[Path, Path]) -> None:
    def alter(lines: list[dict[str, Any]]) -> None:
        lines.append(lines[0])

    with pytest.raises(ConfigError, match="do not stand together"):
        compared(filled, alter)


def test_no_day_at_all_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["bench", "truth", "--days", "0"]) == 2
    assert "at least one day" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("layout", "words", "raw"),
    [
        # Binary-coded decimal and counts in ten thousands, each read off by hand.
        (WordLayout.BCD32, (0x1234, 0x5678), 12_345_678),
        (WordLayout.BCD16, (0x12A4,), None),
        (WordLayout.MOD10K, (12, 34), 120_034),
        (WordLayout.MOD10K, (12, 10_000), None),
        # IEEE 754-2019, 3.4: 12.5 is 0x41480000.
        (WordLayout.FLOAT32, (0x4148, 0x0000), 12.5),
        (WordLayout.INT16, (0xFFFE,), -2),
        (WordLayout.TEXT, (0x5231, 0x2E32, 0, 0), "R1.2"),
    ],
)
def test_the_second_opinion_reads_as_worked_out_by_hand(
    layout: WordLayout, words: tuple[int, ...], raw: object
) -> None:
    from tallymast.benches.second_opinion import raw_of

    one = Point("X", "X", PointKind.COUNTER, Table.INPUT, 0, layout, length=len(words))
    assert raw_of(one, words) == raw
    turned = Point(
        *("X", "X", PointKind.COUNTER, Table.INPUT, 0, layout),
        length=len(words),
        byte_order=Order.LOW_FIRST,
    )
    swapped = tuple(word >> 8 | (word & 0xFF) << 8 for word in words)
    assert raw_of(turned, swapped) == raw

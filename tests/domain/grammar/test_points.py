"""What a technician may mistype in a point, and the part of the sentence that helps."""

from collections.abc import Callable

import pytest

Once = Callable[..., str]
LVL, OUT, RAISE = (
    "profile station.point LVL",
    "profile station.point OUT",
    "profile station.point RAISE",
)
TOT, AUTO, SET = (
    "profile station.point TOT",
    "profile station.point AUTO",
    "profile station.point SET",
)
TEXT = "profile station.point SERIAL"
PROFILE_LIMITS = "limits = { low_low = 5, low = 15, high = 90, high_high = 97 }"
OUT_WRITE = 'write = { table = "coil", register = 2, function = 15 }'
RAISE_WRITE = 'write = { table = "holding", register = 30, function = 16 }'


def test_the_district_itself_is_without_mistake(told: Callable[..., tuple[str, ...]]) -> None:
    assert told() == ()


@pytest.mark.parametrize(
    ("old", "new", "place", "part"),
    [
        # --- one key at a time
        ('tag = "TOT"', 'tag = "TOT AL"', "profile station.point TOT AL tag", "letters a to z"),
        ('tag = "TOT"\n', "", "profile station.point number 2 tag", "missing"),
        ('tag = "TOT"', 'tag = "lvl"', "profile station.point lvl tag", "LVL twice"),
        ('kind = "totalizer"', 'kind = "totaliser"', f"{TOT} kind", '"totalizer"'),
        ('kind = "totalizer"\n', "", f"{TOT} kind", "missing"),
        ('layout = "uint32"', 'layout = "unit32"', f"{TOT} layout", 'nearest is "uint32"'),
        ('layout = "uint32"', 'layuot = "uint32"', f"{TOT} layuot", 'nearest is "layout"'),
        ("register = 4\n", "register = 65536\n", f"{LVL} register", "outside 0 to 65535"),
        ("register = 4\n", 'register = "4"\n', f"{LVL} register", "without quotes"),
        ("register = 4\n", "register = 4.0\n", f"{LVL} register", "whole number"),
        ("register = 4\n", "", f"{LVL} register", "zero-based"),
        ("reference = 30011", "reference = 20011", f"{TOT} reference", "30001 for input"),
        (
            "reference = 30011",
            'reference = 30011\n  table = "holding"',
            f"{TOT} reference",
            "input register 10",
        ),
        ("bit = 3", "bit = 16", f"{AUTO} bit", "outside 0 to 15"),
        ("bit = 3\n", "", f"{AUTO} bit", "which bit"),
        ("bit = 3", 'bit = 3\n  layout = "uint16"', f"{AUTO} layout", "on or off"),
        (
            'word_order = "low-first"',
            'word_order = "little"',
            f"{TOT} word_order",
            '"high-first" or "low-first"',
        ),
        ("raw = [4000, 20000]", "raw = [4000, 4000]", f"{LVL} raw", "two different numbers"),
        ("raw = [4000, 20000]", "raw = [4000]", f"{LVL} raw", "Two numbers in brackets"),
        ("raw = [4000, 20000]", "raw = 4000", f"{LVL} raw", "Two numbers in brackets"),
        ('loop = "4-20mA"', 'loop = "4..20 mA"', f"{LVL} loop", '"4-20mA"'),
        ('poll = "fast"', 'poll = "quick"', f"{LVL} poll", '"fast" or "slow"'),
        (
            'priority = "high"',
            'priority = "low"',
            f"{LVL} priority",
            '"urgent", "high" or "normal"',
        ),
        ("deadband = 2.0", "deadband = -2.0", f"{LVL} deadband", "from 0 up"),
        ("deadband = 2.0", "deadband = nan", f"{LVL} deadband", "no number a network can use"),
        ("modulus = 1000000", "modulus = 1", f"{TOT} modulus", "outside 2 to"),
        ("max_rate = 50", "max_rate = 0", f"{TOT} max_rate", "above 0"),
        (
            'words = ["shut", "open"]',
            'words = ["open"]',
            "profile station.point RUN words",
            "for 0 and for 1",
        ),
        (
            'words = ["shut", "open"]',
            'words = ["Open", "open"]',
            "profile station.point RUN words",
            "0 from 1",
        ),
        ('is = ">"', 'is = "=>"', f"{OUT} interlock.is", '">="'),
        # --- what keys mean together
        ("length = 6", "length = 61", f"{TEXT} length", "more than the 60"),
        ("register = 60\n", "register = 65531\n", f"{TEXT} register", "would end at 65536"),
        ("modulus = 1000000", "modulus = 4294967297", f"{TOT} modulus", "4294967296 at the latest"),
        ("k_factor = 450", "k_factor = 450\n  volume_per_pulse = 2", f"{TOT} k_factor", "keep one"),
        ('volume_unit = "gal"\n', "", f"{TOT} volume_unit", "missing"),
        (
            'layout = "uint32"',
            'layout = "uint32"\n  length = 4',
            f"{TOT} length",
            "takes 2 registers",
        ),
        ('layout = "uint32"', 'layout = "text"', f"{TOT} layout", "number"),
        (
            'alarm_when = "open"',
            'alarm_when = "closed"',
            "profile station.point RUN alarm_when",
            '"shut" or "open"',
        ),
        (
            'alarm_when = "open"',
            "deadband = 1",
            "profile station.point RUN deadband",
            "no use on a discrete-input",
        ),
        ("raw = [4000, 20000]\n", "", f"{LVL} raw", "missing"),
        ("raw = [4000, 20000]", "raw = [0, 4095]", f"{LVL} loop", "microamps"),
        (
            PROFILE_LIMITS,
            PROFILE_LIMITS.replace("15", "95"),
            f"{LVL} limits",
            "low = 95 is not below high = 90",
        ),
        (
            PROFILE_LIMITS,
            PROFILE_LIMITS.replace("= 5", "= 15"),
            f"{LVL} limits",
            "low_low = 15 is not below low",
        ),
        (
            PROFILE_LIMITS,
            PROFILE_LIMITS.replace("97", "197"),
            f"{LVL} limits.high_high",
            "never reached",
        ),
        (
            PROFILE_LIMITS,
            PROFILE_LIMITS.replace("97", '"97"'),
            f"{LVL} limits.high_high",
            "without quotes",
        ),
        (
            PROFILE_LIMITS,
            PROFILE_LIMITS.replace("high_high", "highhigh"),
            f"{LVL} limits.highhigh",
            '"high_high"',
        ),
        (PROFILE_LIMITS, "limits = [5, 15, 90, 97]", f"{LVL} limits", "low_low = …"),
        ("deadband = 2.0", "deadband = 75", f"{LVL} deadband", "no alarm could clear"),
        # --- outputs
        (OUT_WRITE, OUT_WRITE.replace("15", "16"), f"{OUT} write.function", "5 or 15"),
        (OUT_WRITE, OUT_WRITE.replace("coil", "discrete"), f"{OUT} write.table", "only be read"),
        (OUT_WRITE, OUT_WRITE.replace("coil", "coils"), f"{OUT} write.table", "coil"),
        (
            OUT_WRITE,
            'write = { table = "coil", function = 15 }',
            f"{OUT} write.register",
            "missing",
        ),
        (OUT_WRITE, "write = 15", f"{OUT} write", "write { table = …"),
        (
            RAISE_WRITE,
            'write = { table = "coil", register = 30 }',
            f"{RAISE} write.table",
            "holding",
        ),
        (RAISE_WRITE, RAISE_WRITE.replace("16", "15"), f"{RAISE} write.function", "6 or 16"),
        (
            "write = { reference = 40033 }",
            "write = { reference = 40033, function = 6 }",
            f"{SET} write.function",
            "needs 16",
        ),
        (
            "write = { reference = 40033 }",
            "write = { reference = 465536 }",
            f"{SET} write.register",
            "pass 65535",
        ),
        (
            "write = { reference = 40033 }",
            "write = { reference = 90033 }",
            f"{SET} write.reference",
            "40001",
        ),
        (
            "write = { reference = 40033 }",
            "write = { reference = 40031 }",
            SET,
            "both write holding 30 (40031)",
        ),
        ('state = "off"', 'state = "open"', f"{OUT} fail_safe.state", '"off", "on" or "hold"'),
        (", after_s = 300", "", f"{OUT} fail_safe.after_s", "missing"),
        (
            'tag = "RUN", within_s',
            'tag = "RUNS", within_s',
            f"{OUT} feedback.tag",
            "nearest is RUN",
        ),
        (
            'tag = "RUN", within_s',
            'tag = "OUT", within_s',
            f"{OUT} feedback.tag",
            "this output itself",
        ),
        (
            'tag = "RUN", within_s',
            'tag = "RAISE", within_s',
            f"{OUT} feedback.tag",
            "only an input proves",
        ),
        ('tag = "LVL", is', 'tag = "LEVEL", is', f"{OUT} interlock.tag", "nearest is LVL"),
        ('tag = "LVL", is', 'tag = "SERIAL", is', f"{OUT} interlock.tag", "is text"),
        ('tag = "LVL", is', 'tag = "RUN", is', f"{OUT} interlock.value", "write 0 or 1"),
        ('auto = "AUTO"', 'auto = "AUT"', f"{OUT} auto", "nearest is AUTO"),
        ('auto = "AUTO"', 'auto = "LVL"', f"{OUT} auto", "on or off"),
        ("seconds_per_count = 0.1\n", "", f"{RAISE} seconds_per_count", "missing"),
        ("seconds_per_count = 0.1", "seconds_per_count = 0.01", f"{RAISE} max_s", "360000 counts"),
        ("set_range = [2, 40.5]", "set_range = [40.5, 2]", f"{SET} set_range", "lower one first"),
        ("set_range = [2, 40.5]", "set_range = [2, 2]", f"{SET} set_range", "2 is not below 2"),
        ("set_range = [2, 40.5]", "set_range = 40.5", f"{SET} set_range", "Two numbers"),
        ("set_rate = 5", "set_rate = 0", f"{SET} set_rate", "above 0"),
        ("max_s = 3600", "set_rate = 3600", f"{RAISE} set_rate", "belongs to analog-output"),
        ("max_s = 3600", "set_range = [0, 9]", f"{RAISE} set_range", "belongs to analog-output"),
        (
            'register = 32\n  layout = "float32"',
            'register = 32\n  unit = "m"\n  raw = [0, 1000]\n  value = [0.0, 0.5]',
            f"{SET} set_range",
            "40.5 m cannot be written: by layout, raw and value the point holds 0 to 32.7675 m",
        ),
        # --- places
        ("register = 50\n", "register = 61\n  length = 2\n", f"{AUTO} length", "takes 1 register"),
        (
            "register = 4\n",
            "register = 11\n",
            "profile station.point TOT",
            "LVL takes 11 of input and TOT takes 10 to 11",
        ),
    ],
)
def test_a_mistake_in_a_profile_is_told_once(
    told_once: Once, old: str, new: str, place: str, part: str
) -> None:
    sentence = told_once(old, new)
    assert sentence.startswith(f"net.toml: [{place}] "), sentence
    assert part in sentence


WEIR = "site upper-weir.point"


@pytest.mark.parametrize(
    ("old", "new", "place", "part"),
    [
        ('tag = "FLOW"\n  kind = "rate"', 'tag = "LEVEL"', f"{WEIR} LEVEL kind", "missing"),
        ('tag = "LVL"\n  value', 'tag = "LVLS"\n  value', f"{WEIR} LVLS tag", "nearest is LVL"),
        ('tag = "LVL"\n  value', 'tag = "Lvl"\n  value', f"{WEIR} Lvl tag", "nearest is LVL"),
        ("high = 3.1 }", "high = 0.4 }", f"{WEIR} LVL limits", "low = 0.6 is not below high = 0.4"),
        ("high = 3.1 }", "high = 31 }", f"{WEIR} LVL limits.high", "31 m is never reached"),
        ("deadband = 0.07", "deadband = 7", f"{WEIR} LVL deadband", "no alarm could clear"),
        ("deadband = 0.07", "register = 10", f"{WEIR} LVL", "LVL takes 10 of input and TOT takes"),
        (
            "deadband = 0.07",
            "reference = 30012",
            f"{WEIR} LVL",
            "LVL takes 11 of input and TOT takes",
        ),
        (
            "register = 20\n",
            "register = 11\n",
            f"{WEIR} FLOW",
            "TOT takes 10 to 11 of input and FLOW",
        ),
    ],
)
def test_a_mistake_in_a_sites_own_point_is_told_at_the_site(
    told_once: Once, old: str, new: str, place: str, part: str
) -> None:
    sentence = told_once(old, new)
    assert sentence.startswith(f"net.toml: [{place}] "), sentence
    assert part in sentence


def test_a_mistake_of_the_profile_is_not_told_again_at_each_site(told_once: Once) -> None:
    # Upper Weir changes LVL, so its LVL is put together anew; the wrong loop is still one mistake.
    assert "[profile station.point LVL loop]" in told_once("raw = [4000, 20000]", "raw = [0, 4095]")

"""The network file as a whole: what it means, what it keeps, how two of them differ."""

import json
import math
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallymast.domain.errors import ConfigError
from tallymast.domain.model import (
    Chemistry,
    Feedback,
    Interlock,
    Limits,
    Network,
    Order,
    PointKind,
    PollClass,
    Site,
    SiteClass,
    Supply,
    SupplyKind,
    Table,
    Transport,
    WordLayout,
    WriteTarget,
)
from tallymast.domain.network_file import build, differences, dump, parse, read

DISTRICT = (Path(__file__).parent / "grammar/district.toml").read_text(encoding="utf-8")
SMALL = """
[[gateway]]
key = "g"
address = "192.0.2.1:502"
[[profile]]
key = "p"
[[profile.point]]
tag = "V"
kind = "supply-voltage"
reference = 30001
[[site]]
key = "s"
gateway = "g"
unit = 1
profile = "p"
"""


def network(text: str) -> Network:
    return read(text, "net.toml")[1]


def site(text: str, key: str) -> Site:
    return next(one for one in network(text).sites if one.key == key)


# --- what a file means --------------------------------------------------------------------


def test_what_is_left_out_gets_the_defaults_of_the_contract() -> None:
    # The defaults are those stated beside the keys of the network file's description.
    small = network(SMALL)
    (gateway,) = small.gateways
    assert (gateway.transport, gateway.baud) == (Transport.RTU_OVER_TCP, 9600)
    assert (gateway.character_bits, gateway.min_gap_ms, gateway.quarantine_s) == (10, 50, 6)
    assert (gateway.reply_timeout_s, gateway.retries, gateway.miss_limit) == (2, 2, 3)
    (one,) = small.sites
    assert (one.name, one.poll_every_s, one.in_service) == ("s", 60, True)
    assert (one.site_class, one.max_words) == (SiteClass.MONITORING, 125)
    assert (one.reply_timeout_s, one.retries, one.turnaround_ms, one.miss_limit) == (2, 2, 20, 3)
    (point,) = one.points
    assert (point.name, point.layout, point.length) == ("V", WordLayout.UINT16, 1)
    assert (point.table, point.register, point.poll) == (Table.INPUT, 0, PollClass.FAST)
    assert (point.raw, point.value, point.limits) == (None, None, Limits())


@pytest.mark.parametrize(
    ("line", "attribute", "value"),
    [
        ('transport = "modbus-tcp"', "min_gap_ms", 0.0),
        ("reply_timeout_s = 0.5", "quarantine_s", 5.0),  # max(3 × reply_timeout_s, 5)
        ("reply_timeout_s = 4", "quarantine_s", 12.0),
        ('parity = "even"', "character_bits", 11),  # 1 start, 8 data, 1 parity, 1 stop
        ("stop_bits = 2", "character_bits", 11),
    ],
)
def test_defaults_of_a_gateway_follow_from_its_other_keys(
    line: str, attribute: str, value: float
) -> None:
    text = SMALL.replace('key = "g"\n', f'key = "g"\n{line}\n')
    assert getattr(network(text).gateways[0], attribute) == value


def test_a_site_slower_than_the_quarantine_raises_it_where_nobody_wrote_one() -> None:
    # A frame that may still count as an answer must not fall outside the quarantine.
    text = SMALL + "reply_timeout_s = 9\n"
    assert network(text).gateways[0].quarantine_s == 9


def test_each_repeater_adds_a_second_unless_the_site_says_otherwise() -> None:
    # Upper Weir writes 3.5 s and 1 retry; a hop adds 1 s, the contract clock of the path.
    weir, tern, lateral = (
        site(DISTRICT, key) for key in ("upper-weir", "tern-flat", "far-lateral")
    )
    assert [one.reply_timeout_s for one in (weir, tern, lateral)] == [3.5, 4.5, 5.5]
    assert [one.retries for one in (weir, tern, lateral)] == [1, 1, 1]
    assert [one.turnaround_ms for one in (weir, tern, lateral)] == [40, 25, 25]
    assert [one.miss_limit for one in (weir, tern, lateral)] == [4, 3, 3]


def test_a_repeater_may_stand_after_the_sites_behind_it() -> None:
    text = SMALL + 'via = "r"\n[[site]]\nkey = "r"\ngateway = "g"\nunit = 2\nprofile = "p"\n'
    assert site(text, "s").reply_timeout_s == 3.0


def test_a_sites_point_replaces_key_by_key_and_braces_whole() -> None:
    point = site(DISTRICT, "upper-weir").point("LVL")
    assert point is not None
    assert (point.raw, point.value, point.unit) == ((4000, 20000), (0.0, 3.5), "m")
    # high_high of the profile is 97 %: kept, it would be 97 m.
    assert point.limits == Limits(low_low=0.3, low=0.6, high=3.1, high_high=None)
    assert (point.on_delay_s, point.off_delay_s, point.deadband) == (60, 45, 0.07)
    assert [one.tag for one in site(DISTRICT, "upper-weir").points] == [
        *(one.tag for one in site(DISTRICT, "tern-flat").points),
        "FLOW",
    ]


def test_a_site_may_move_a_point_in_either_notation() -> None:
    for lines in ("reference = 40008\n", 'table = "holding"\nregister = 7\n'):
        point = site(SMALL + '[[site.point]]\ntag = "V"\n' + lines, "s").points[0]
        assert (point.table, point.register) == (Table.HOLDING, 7)
    point = site(SMALL + '[[site.point]]\ntag = "V"\nregister = 7\n', "s").points[0]
    assert (point.table, point.register) == (Table.INPUT, 7)


def test_a_site_may_lift_the_limits_of_its_profile() -> None:
    text = DISTRICT + '  [[site.point]]\n  tag = "LVL"\n  limits = {}\n'
    point = site(text, "far-lateral").point("LVL")
    assert point is not None
    assert point.limits == Limits()


def test_volume_per_pulse_at_a_site_lifts_the_k_factor_of_its_profile() -> None:
    text = DISTRICT + '  [[site.point]]\n  tag = "TOT"\n  volume_per_pulse = 0.5\n'
    point = site(text, "far-lateral").point("TOT")
    assert point is not None
    assert (point.k_factor, point.volume_per_pulse, point.volume_unit) == (None, 0.5, "gal")


def test_every_key_reaches_the_network() -> None:
    points = {one.tag: one for one in site(DISTRICT, "tern-flat").points}
    total, output, pulse, setpoint = (points[tag] for tag in ("TOT", "OUT", "RAISE", "SET"))
    assert (total.table, total.register, total.length) == (Table.INPUT, 10, 2)
    assert (total.word_order, total.byte_order) == (Order.LOW_FIRST, Order.LOW_FIRST)
    assert (total.modulus, total.max_rate, total.k_factor) == (1_000_000, 50, 450)
    assert output.write == WriteTarget(Table.COIL, 2, 15)
    assert output.feedback == Feedback("RUN", 20)
    assert output.interlock == Interlock("LVL", ">", 10)
    assert (output.auto, output.min_off_s, output.starts_per_hour) == ("AUTO", 300, 6)
    assert output.fail_safe is not None
    assert (output.fail_safe.state, output.fail_safe.after_s) == ("off", 300)
    assert (pulse.kind, pulse.seconds_per_count, pulse.max_s) == (PointKind.PULSE_OUTPUT, 0.1, 3600)
    # A reference counts from 1; a write to a holding register is function 16 unless it says 6.
    assert setpoint.write == WriteTarget(Table.HOLDING, 32, 16)
    assert (setpoint.set_range, setpoint.set_rate) == ((2, 40.5), 5)
    assert (pulse.set_range, pulse.set_rate) == (None, None)
    assert (points["RUN"].words, points["RUN"].alarm_when) == (("shut", "open"), "open")
    assert (points["AUTO"].layout, points["AUTO"].bit) == (WordLayout.BOOL, 3)
    assert (points["SERIAL"].length, points["SERIAL"].poll) == (6, PollClass.SLOW)
    weir = site(DISTRICT, "upper-weir")
    assert weir.spare == ((Table.INPUT, 40, 47),)
    assert weir.cautions == ("open water",)
    battery = (SupplyKind.SOLAR, Chemistry.AGM, 12, 33, date(2022, 5, 1), 11.5, 12.8, 10.0)
    assert weir.supply == Supply(
        *battery, panel_w=20, panel_tilt=60, panel_azimuth=180, meter_offset_v=0.1
    )


@pytest.mark.parametrize(
    ("layout", "modulus"),
    # A register that counts up starts again one past its highest number.
    [("uint16", 65_536), ("uint32", 2**32), ("uint64", 2**64), ("bcd16", 10_000),
     ("bcd32", 10**8), ("mod10k", 10**8), ("float32", None), ("int32", None)],
)  # fmt: skip
def test_a_totalizer_turns_over_where_its_layout_ends(layout: str, modulus: int | None) -> None:
    text = SMALL.replace('kind = "supply-voltage"', f'kind = "totalizer"\nlayout = "{layout}"')
    assert site(text, "s").points[0].modulus == modulus


@pytest.mark.parametrize(
    ("chemistry", "nominal_v", "disconnect_v", "reconnect_v"),
    # Common practice and memory, the maker's figure wins; a 24 V battery is two in a row.
    [("flooded", 12, 11.5, 12.6), ("agm", 12, 11.5, 12.8), ("gel", 24, 23.2, 25.6),
     ("lifepo4", 12, 11.8, 13.0)],
)  # fmt: skip
def test_a_battery_gets_the_usual_voltages_of_its_chemistry(
    chemistry: str, nominal_v: int, disconnect_v: float, reconnect_v: float
) -> None:
    text = (
        SMALL
        + f'[site.supply]\nkind = "solar"\nchemistry = "{chemistry}"\nnominal_v = {nominal_v}\n'
    )
    supply = site(text, "s").supply
    assert supply is not None
    assert supply.disconnect_v == pytest.approx(disconnect_v)
    assert supply.reconnect_v == pytest.approx(reconnect_v)


def test_an_empty_file_is_an_empty_network() -> None:
    assert network("").sites == ()
    assert network("").time_zone == network("").contract_zone == "UTC"


# --- every mistake at once ----------------------------------------------------------------


def test_all_mistakes_are_told_at_once_one_a_line() -> None:
    text = DISTRICT
    for old, new in (
        ('"America/Denver"', '"America/Denwer"'),
        ("baud = 9600", "bauds = 9600"),
        ("altitude_m = 1400", 'altitude_m = "1400"'),
        ('layout = "uint32"', 'layout = "unit32"'),
        ("high = 90", "high = 10"),
        ('tag = "RUN", within_s', 'tag = "RUNNING", within_s'),
        ("unit = 4\n", "unit = 3\n"),
        ("unit = 5\n", "unit = 500\n"),
        ("disconnect_v = 11.5", "disconnect_v = 115"),
    ):
        assert text.count(old) == 1
        text = text.replace(old, new)
    with pytest.raises(ConfigError) as failure:
        read(text, "net.toml")
    assert {line.split("] ")[0] for line in str(failure.value).split("\n")} == {
        "net.toml: [time_zone",
        "net.toml: [gateway marrowdun bauds",
        "net.toml: [gateway marrowdun altitude_m",
        "net.toml: [profile station.point TOT layout",
        "net.toml: [profile station.point LVL limits",
        "net.toml: [profile station.point OUT feedback.tag",
        "net.toml: [site tern-flat unit",
        "net.toml: [site far-lateral unit",
        "net.toml: [site upper-weir.supply disconnect_v",
    }


def test_no_sentence_shows_what_only_a_programmer_knows() -> None:
    written = parse(DISTRICT, "net.toml")
    for section in ("gateway", "profile", "site"):
        for key in list(written[section][0]):
            broken = json.loads(json.dumps(written))
            broken[section][0][key] = {"a": None}
            with pytest.raises(ConfigError) as failure:
                build(broken, "net.toml")
            for word in ("None", "dict", "Traceback", "object", "<", "StrEnum"):
                assert word not in str(failure.value)


_ANY = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=5,
)


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_whatever_stands_in_a_file_is_built_or_told(data: st.DataObject) -> None:
    """No value in any place may end in anything but a network or sentences."""
    written = parse(DISTRICT, "net.toml")
    place: Any = written
    while True:
        if isinstance(place, dict):
            key = data.draw(st.sampled_from(sorted(place)))
        else:
            key = data.draw(st.integers(0, len(place) - 1))
        if not isinstance(place[key], dict | list) or not place[key] or data.draw(st.booleans()):
            break
        place = place[key]
    place[key] = data.draw(_ANY)
    mistakes: tuple[str, ...] = ()
    try:
        build(written, "net.toml")
    except ConfigError as error:
        mistakes = error.mistakes
    assert all(line.startswith("net.toml: [") for line in mistakes)


# --- what a file keeps --------------------------------------------------------------------

_TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
_SCALAR = (
    st.booleans()
    | st.integers(-(2**63), 2**64)
    | st.floats(allow_nan=False, allow_infinity=False)
    | _TEXT
    | st.dates().map(str)
)
_TREE = st.recursive(
    _SCALAR,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_TEXT, inner, max_size=3),
    max_leaves=8,
)
_KEYS = st.sampled_from(["key", "tag", "limits", "installed", "point", "supply", "a b", "ü", ""])
_THING = st.dictionaries(_KEYS, _TREE, max_size=5)
_SITE = st.builds(
    lambda thing, **more: {**thing, **more},
    _THING,
    point=st.lists(_THING, max_size=2),
    supply=st.one_of(_THING, _TREE),
)
_FILE = st.fixed_dictionaries(
    {},
    optional={
        "title": _TREE,
        "gateway": st.lists(_THING, max_size=2),
        "profile": st.lists(_SITE, max_size=2) | _TREE,
        "site": st.lists(_SITE, max_size=3) | _TREE,
        "anything": _TREE,
    },
)


@settings(max_examples=200, deadline=None)
@given(_FILE)
def test_a_written_file_reads_as_the_same_keys_and_values(written: dict[str, Any]) -> None:
    assert parse(dump(written), "net.toml") == written


def test_the_district_comes_back_key_for_key_and_without_defaults() -> None:
    written = parse(DISTRICT, "net.toml")
    assert parse(dump(written), "net.toml") == written
    assert "baud" not in written["gateway"][1]
    assert written["site"][0]["supply"]["installed"] == "2022-05-01"
    assert written["profile"][0]["point"][1]["reference"] == 30011
    assert json.loads(json.dumps(written)) == written


def test_the_order_of_keys_is_always_the_same() -> None:
    assert list(parse('contract_hour = 7\ntitle = "a"\n', "net.toml")) == ["title", "contract_hour"]
    one = parse('[[site]]\nunit = 1\nkey = "a"\n', "net.toml")
    other = parse('[[site]]\nkey = "a"\nunit = 1\n', "net.toml")
    assert dump(one) == dump(other)


def test_a_written_file_is_pleasant_to_read() -> None:
    text = dump(parse(DISTRICT, "net.toml"))
    assert '[[site]]\nkey = "upper-weir"\n' in text
    assert '  [site.supply]\n  kind = "solar"\n' in text
    assert "  installed = 2022-05-01\n" in text
    assert '  write = { table = "coil", register = 2, function = 15 }\n' in text


def test_a_number_that_is_none_is_refused_not_lost() -> None:
    written = parse(SMALL + "latitude = nan\nlongitude = 5\n", "net.toml")
    assert math.isnan(written["site"][0]["latitude"])
    with pytest.raises(ConfigError, match="no number a network can use"):
        build(written, "net.toml")


# --- how two files differ -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("contract_hour = 7", "contract_hour = 8", "The network: contract_hour was 7, is 8."),
        ("baud = 9600\n", "", "Gateway marrowdun: baud = 9600 is gone."),
        ("unit = 4\n", "unit = 4\narea = \"Flats\"\n", 'Site tern-flat: area = "Flats" is new.'),
        ("installed = 2022-05-01", "installed = 2026-05-01",
         'Site upper-weir: supply.installed was "2022-05-01", is "2026-05-01".'),
        ("high = 3.1", "high = 3.2", "Site upper-weir, point LVL: limits.high was 3.1, is 3.2."),
        ("bit = 3", "bit = 4", "Profile station, point AUTO: bit was 3, is 4."),
        ('words = ["shut", "open"]', 'words = ["closed", "open"]',
         'Profile station, point RUN: words was ["shut", "open"], is ["closed", "open"].'),
    ],
)  # fmt: skip
def test_one_change_is_one_sentence(old: str, new: str, sentence: str) -> None:
    assert DISTRICT.count(old) == 1
    before = parse(DISTRICT, "net.toml")
    after = parse(DISTRICT.replace(old, new), "net.toml")
    assert differences(before, after) == (sentence,)


def test_a_site_that_comes_and_one_that_goes_are_told() -> None:
    before = parse(DISTRICT, "net.toml")
    after = parse(DISTRICT.replace('key = "far-lateral"', 'key = "near-lateral"'), "net.toml")
    assert differences(before, after) == ("Site far-lateral is gone.", "Site near-lateral is new.")


def test_the_same_file_in_another_order_does_not_differ() -> None:
    before = parse(DISTRICT, "net.toml")
    after = {**before, "site": list(reversed(before["site"]))}
    assert differences(before, after) == ()

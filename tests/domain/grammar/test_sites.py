"""What a technician may mistype in a site or its supply, and the words that help."""

from collections.abc import Callable

import pytest

Told = Callable[..., tuple[str, ...]]
Once = Callable[..., str]

TERN = 'key = "tern-flat"\ngateway = "marrowdun"\nunit = 4'
VIA = 'unit = 4\nprofile = "station"\nvia = "upper-weir"'


@pytest.mark.parametrize(
    ("old", "new", "key", "part"),
    [
        ('gateway = "marrowdun"\nunit = 3', "unit = 3", "gateway", "missing"),
        ('"marrowdun"\nunit = 3', '"marowdun"\nunit = 3', "gateway", 'nearest is "marrowdun"'),
        ("unit = 3\n", "", "unit", "1 to 247"),
        ("unit = 3\n", "unit_id = 3\n", "unit_id", 'nearest is "unit"'),
        ("unit = 3\n", "unit = 0\n", "unit", "outside 1 to 247"),
        ("unit = 3\n", "unit = 248\n", "unit", "outside 1 to 247"),
        ("unit = 3\n", 'unit = "3"\n', "unit", "without quotes"),
        ('profile = "station"\npoll', 'profile = "stations"\npoll', "profile", '"station"'),
        ('profile = "station"\npoll', "poll", "profile", "[[profile]]"),
        ("poll_every_s = 30", "poll_every = 30", "poll_every", '"poll_every_s"'),
        ("poll_every_s = 30", "baud = 9600", "baud", "belongs to [[gateway]]"),
        ("poll_every_s = 30", "poll_every_s = 0", "poll_every_s", "from 0.1"),
        ("poll_every_s = 30", "poll_every_s = 300", "poll_every_s", "OUT goes off by itself"),
        ("poll_every_s = 30", 'poll_every_s = "30 s"', "poll_every_s", "without quotes"),
        ("in_service = true", "in_service = 1", "in_service", "true nor false"),
        ('class = "monitoring"', 'class = "monitor"', "class", '"monitoring"'),
        ("latitude = 44.14\n", "", "latitude", "missing"),
        ("longitude = -106.21", "longitude = 106.21", "longitude", "signs"),
        ("latitude = 44.14", "latitude = 14.44", "longitude", "digits"),
        ('cautions = ["open water"]', 'cautions = "open water"', "cautions", '["open water"]'),
        ('cautions = ["open water"]', "cautions = [3]", "cautions", "double quotes"),
        ('name = "Upper Weir"', 'name = " "', "name", "empty"),
        ('name = "Upper Weir"', 'name = "Upper\\nWeir"', "name", "one line"),
    ],
)
def test_a_mistake_in_a_site_is_told_once(
    told_once: Once, old: str, new: str, key: str, part: str
) -> None:
    sentence = told_once(old, new)
    assert sentence.startswith(f"net.toml: [site upper-weir {key}] "), sentence
    assert part in sentence


@pytest.mark.parametrize(
    ("old", "new", "key", "part"),
    [
        ('kind = "solar"', 'kind = "sun"', "kind", '"solar"'),
        ('kind = "solar"\n', "", "kind", "missing"),
        ('chemistry = "agm"', 'chemistry = "lead"', "chemistry", '"lifepo4"'),
        ('chemistry = "agm"', 'chemistry = "lithium-primary"', "chemistry", "cannot be charged"),
        ("nominal_v = 12", "nominal_v = 120", "nominal_v", "from 1 to 60"),
        ("capacity_ah = 33", "capacity_ah = 0", "capacity_ah", "above 0"),
        ("installed = 2022-05-01", 'installed = "2022-02-30"', "installed", "calendar has no"),
        ("installed = 2022-05-01", 'installed = "1.5.2022"', "installed", "as 2022-05-01"),
        ("installed = 2022-05-01", "installed = 2022-05-01T07:00:00", "installed", "not a day"),
        ("installed = 2022-05-01", "installed = 2202-05-01", "installed", "1980 to 2099"),
        ("installed = 2022-05-01", "installed = 2022", "installed", "as 2022-05-01"),
        ("disconnect_v = 11.5", "disconnect_v = 13.0", "disconnect_v", "reconnect at 12.8 V"),
        ("disconnect_v = 11.5", "disconnect_v = 23.0", "disconnect_v", "8.4 to 16.8 V"),
        ("reconnect_v = 12.8", "reconnect_v = 1.28", "reconnect_v", "not plausible"),
        ("disconnect_v = 11.5\n  reconnect_v = 12.8", "reconnect_v = 11.0", "reconnect_v", "usual"),
        ("panel_tilt = 60", "panel_tilt = 160", "panel_tilt", "from 0 to 90"),
        ("panel_azimuth = 180", "panel_azimuth = -180", "panel_azimuth", "from 0 to 360"),
        ("meter_offset_v = 0.1", "meter_offset_v = 12.1", "meter_offset_v", "from -5 to 5"),
        ("panel_w = 20", "panel_watt = 20", "panel_watt", '"panel_w"'),
    ],
)
def test_a_mistake_in_a_supply_is_told_once(
    told_once: Once, old: str, new: str, key: str, part: str
) -> None:
    sentence = told_once(old, new)
    assert sentence.startswith(f"net.toml: [site upper-weir.supply {key}] "), sentence
    assert part in sentence


def test_mains_alone_has_neither_battery_nor_panel(told: Told) -> None:
    mistakes = told('kind = "solar"', 'kind = "mains"')
    assert {one.split("]")[0].rsplit(" ", 1)[1] for one in mistakes} == {
        "chemistry",
        "capacity_ah",
        "installed",
        "disconnect_v",
        "reconnect_v",
        "panel_w",
        "panel_tilt",
        "panel_azimuth",
    }
    assert all("mains-with-battery" in one or "solar" in one for one in mistakes)


def test_a_key_under_the_heading_of_the_supply_is_sent_back_to_the_site(told_once: Once) -> None:
    # The commonest slip in TOML: a key added at the end counts to the heading above it.
    sentence = told_once(
        "meter_offset_v = 0.1", "meter_offset_v = 0.1\n  retries = 3", "retries = 1\n", ""
    )
    assert sentence.startswith("net.toml: [site upper-weir.supply retries] ")
    assert "a key counts to the heading above it" in sentence


def test_one_unit_address_twice_on_a_gateway_is_told_at_the_second(told_once: Once) -> None:
    sentence = told_once("unit = 4\n", "unit = 3\n")
    assert sentence.startswith("net.toml: [site tern-flat unit] Unit 3 on gateway marrowdun")
    assert "upper-weir" in sentence


def test_the_same_unit_address_on_another_gateway_is_fine(told: Told) -> None:
    old = 'gateway = "marrowdun"\nunit = 5\nprofile = "station"\nvia = "tern-flat"'
    assert told(old, 'gateway = "bench"\nunit = 3\nprofile = "station"') == ()


def test_a_site_key_that_cannot_be_used_is_not_blamed_on_the_sites_behind_it(
    told_once: Once,
) -> None:
    sentence = told_once(
        '[[site]]\nkey = "upper-weir"', '[[site]]\nkey = "upper weir"',
        'via = "upper-weir"', 'via = "upper weir"',
    )  # fmt: skip
    assert sentence.startswith("net.toml: [site upper weir key] ")


def test_a_gateway_key_that_cannot_be_used_is_not_blamed_on_its_sites(told_once: Once) -> None:
    sentence = told_once(
        '[[gateway]]\nkey = "bench"', '[[gateway]]\nkey = "bench.1"',
        'gateway = "marrowdun"\nunit = 5\nprofile = "station"\nvia = "tern-flat"',
        'gateway = "bench.1"\nunit = 5\nprofile = "station"',
    )  # fmt: skip
    assert sentence.startswith("net.toml: [gateway bench.1 key] ")


def test_one_key_twice_is_told(told_once: Once) -> None:
    sentence = told_once('key = "far-lateral"', 'key = "Tern-Flat"')
    assert sentence.startswith("net.toml: [site Tern-Flat key] Another site has this key")


def test_via_an_unknown_site_names_the_nearest(told_once: Once) -> None:
    sentence = told_once('via = "upper-weir"', 'via = "uper-weir"')
    assert sentence.startswith('net.toml: [site tern-flat via] There is no site "uper-weir"')
    assert '"upper-weir"' in sentence


def test_via_itself_is_a_circle(told_once: Once) -> None:
    sentence = told_once('via = "tern-flat"', 'via = "far-lateral"')
    assert sentence.startswith("net.toml: [site far-lateral via] ")
    assert "far-lateral via far-lateral" in sentence


def test_a_circle_of_repeaters_is_told_once_with_its_way(told_once: Once) -> None:
    sentence = told_once('via = "upper-weir"', 'via = "far-lateral"')
    assert sentence.startswith("net.toml: [site tern-flat via] The path leads in a circle")
    assert "tern-flat via far-lateral via tern-flat" in sentence


def test_a_site_behind_a_circle_is_not_blamed(told_once: Once) -> None:
    sentence = told_once("poll_every_s = 30", 'via = "tern-flat"')
    # upper-weir and tern-flat now carry each other; far-lateral only hangs on it.
    assert sentence.startswith("net.toml: [site upper-weir via] ")


def test_a_repeater_behind_another_gateway_is_told(told_once: Once) -> None:
    sentence = told_once(
        'key = "far-lateral"\ngateway = "marrowdun"', 'key = "far-lateral"\ngateway = "bench"'
    )
    assert sentence.startswith("net.toml: [site far-lateral via] ")
    assert "serves its own gateway" in sentence


def test_a_turn_of_the_counter_between_two_polls_is_told(told_once: Once) -> None:
    # 1 000 000 at 50 a second is a turn in 20 000 s; a profile read every 6 h cannot see it.
    # 21600 s also passes the output's fail-safe time, so that is lengthened with it.
    sentence = told_once(
        "poll_every_s = 30", "poll_every_s = 21600", "after_s = 300", "after_s = 86400"
    )
    assert sentence.startswith("net.toml: [site upper-weir poll_every_s] ")
    assert "every 20000 s" in sentence


def test_a_station_with_nothing_to_read_is_told(told_once: Once) -> None:
    sentence = told_once(
        'key = "far-lateral"\ngateway = "marrowdun"\nunit = 5\nprofile = "station"',
        'key = "far-lateral"\ngateway = "marrowdun"\nunit = 5\nprofile = "nothing"',
        '[[gateway]]\nkey = "bench"',
        '[[profile]]\nkey = "nothing"\n\n[[gateway]]\nkey = "bench"',
    )
    assert sentence.startswith(
        "net.toml: [site far-lateral point] Neither the profile nor the site"
    )


@pytest.mark.parametrize(
    ("old", "new", "place", "part"),
    [
        ('title = "Invented district"', "title = 7", "title", "double quotes"),
        ('"America/Denver"', '"America/Denvr"', "time_zone", "America/Denver"),
        ('"UTC-07:00"', '"UTC-7"', "contract_zone", "not a time zone"),
        ("contract_hour = 7", "contract_hour = 24", "contract_hour", "outside 0 to 23"),
        ("contract_hour = 7", 'contract_hour = "07:00"', "contract_hour", "without quotes"),
        ("contract_hour = 7", "contact_hour = 7", "contact_hour", '"contract_hour"'),
        ("contract_hour = 7", "contract_hour = 7\nsites = 3", "sites", '"site"'),
        ("max_words = 60", "max_words = 126", "profile station max_words", "outside 1 to 125"),
        ("max_words = 60", "max_words = 5", "profile station.point SERIAL length", "than the 5"),
        ('"input", 40, 47', '"input", 47, 40', "profile station spare", "runs backwards"),
        ('"input", 40, 47', '"inputs", 40, 47', "profile station spare", '"input"'),
        ('["input", 40, 47]', '"input", 40, 47', "profile station spare", '["input", 40, 47]'),
        ('"input", 40, 47', '"input", 40, 70000', "profile station spare", "outside 0 to 65535"),
    ],
)
def test_a_mistake_at_the_top_or_in_a_profile_is_told_once(
    told_once: Once, old: str, new: str, place: str, part: str
) -> None:
    sentence = told_once(old, new)
    assert sentence.startswith(f"net.toml: [{place}] "), sentence
    assert part in sentence


@pytest.mark.parametrize(
    ("written", "key", "part"),
    [
        ('season = { out_from = "11-01" }', "season.back", "missing"),
        ('season = { back = "04-15" }', "season.out_from", "missing"),
        ('season = { out_from = "11-01", back = "11-01" }', "season.back", "another day"),
        ('season = { out_from = "13-01", back = "04-15" }', "season.out_from", "as 11-01"),
        ('season = { out_from = "1 Nov", back = "04-15" }', "season.out_from", "as 11-01"),
        ("season = 11", "season", "not a table"),
        ('retired = "soon"', "retired", "as 2022-05-01"),
    ],
)
def test_a_mistake_in_a_season_or_a_retirement(
    told_once: Once, written: str, key: str, part: str
) -> None:
    sentence = told_once("in_service = true", f"in_service = true\n{written}")
    assert sentence.startswith(f"net.toml: [site upper-weir {key}] "), sentence
    assert part in sentence


@pytest.mark.parametrize(
    ("written", "key", "part"),
    [
        ("{ positions = 0 }", "switches.positions", "outside 1 to 16"),
        ("{ on_is = 2 }", "switches.on_is", "outside 0 to 1"),
        ('{ first = "left" }', "switches.first", '"low"'),
        ("{ position = 8 }", "switches.position", '"positions"'),
    ],
)
def test_a_mistake_in_address_switches(told_once: Once, written: str, key: str, part: str) -> None:
    sentence = told_once('key = "station"', f'key = "station"\nswitches = {written}')
    assert sentence.startswith(f"net.toml: [profile station {key}] "), sentence
    assert part in sentence

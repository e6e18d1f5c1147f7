"""The bench of diagnosis: its accounting, and its record against the one a server reads."""

from collections.abc import Iterator
from datetime import date

import numpy as np
import pytest
from tests.routes.conftest import World as Web
from tests.routes.conftest import begin

from tallymast import judging
from tallymast.benches.diagnosis import run
from tallymast.benches.drawn_networks import draw_network
from tallymast.benches.drawn_troubles import draw_troubles
from tallymast.benches.named_causes import (
    Named,
    Naming,
    false_accusations,
    healthy_months,
    score,
)
from tallymast.benches.past_records import PastSite, explained_outages, past_site
from tallymast.benches.past_states import PastState
from tallymast.benches.trouble_labels import Trouble
from tallymast.domain import network_file
from tallymast.domain.contact import first_state, next_state, patience
from tallymast.domain.errors import ConfigError
from tallymast.domain.health.diagnosis.model import Confidence
from tallymast.domain.model import SiteStatus
from tallymast.domain.record.chunks import PollColumns, polls_of
from tallymast.domain.record.days import Contract
from tallymast.domain.zones import find_zone
from tallymast.simulator.fault_file import read_faults
from tallymast.simulator.faults import Faults
from tallymast.simulator.history import Past
from tallymast.simulator.history import World as Simulated
from tallymast.simulator.radio_path import LIVELY
from tallymast.simulator.supply import SitePower
from tallymast.simulator.weather import Weather
from tallymast.storage.days import close_days
from tallymast.storage.history import store_day
from tallymast.storage.nights import NightSite, compute_nights

HOUR = 3_600_000
DAY = 24 * HOUR
FOREVER = 2**62


# --- accounting -------------------------------------------------------------------------


def trouble(label: str, *sites: str, day: int = 10, to_ms: int = FOREVER) -> Trouble:
    return Trouble(label, sites, "", day * DAY, to_ms, ())


def named(cause: str, *sites: str, score: float = 3.0) -> Named:
    return Named(cause, sites, "mast", score, "likely")


def looks(*some: tuple[float, tuple[Named, ...]]) -> list[Naming]:
    """Namings by day."""
    return [Naming(round(day * DAY), what) for day, what in some]


def test_the_first_named_cause_decides_and_a_right_one_later_gives_the_delay() -> None:
    told = looks(
        (9.75, ()),
        (10.25, ()),
        (10.5, (named("stuck", "a"),)),
        (11.0, (named("stuck", "a"), named("loop", "a", score=5.0))),
        (11.5, (named("loop", "a"),)),
    )
    made = score(trouble("loop", "a"), told)
    # First named at day 10.5 was another cause; the right one stood first at 11.0, a day late.
    assert (made.first, made.is_right, made.delay_ms) == ("stuck", False, DAY)
    assert made.right_at_end


def test_of_causes_named_together_the_surest_is_the_first() -> None:
    told = looks((10.25, (named("loop", "a", score=2.0), named("restarts", "a", score=4.0))))
    made = score(trouble("power-cut", "a"), told)
    assert (made.first, made.is_right, made.delay_ms) == ("restarts", True, 6 * HOUR)


def test_a_trouble_never_named_is_missed() -> None:
    told = looks((9.0, ()), (10.25, (named("loop", "b"),)), (12.0, ()))
    made = score(trouble("loop", "a"), told)
    assert (made.first, made.is_right, made.delay_ms, made.right_at_end) == (
        None,
        False,
        None,
        False,
    )


def test_a_wrong_cause_that_stood_before_the_trouble_is_not_its_first() -> None:
    told = looks(
        (9.75, (named("antenna", "a"),)),
        (10.25, (named("antenna", "a", score=9.0),)),
        (10.5, (named("antenna", "a", score=9.0), named("loop", "a"))),
    )
    assert score(trouble("loop", "a"), told).first == "loop"


def test_a_repeater_is_named_rightly_only_at_itself() -> None:
    dead = Trouble("dead-repeater", ("r",), "", 10 * DAY, FOREVER, (), touched=("a", "b"))
    told = looks((10.04, (named("silent", "a"),)), (10.25, (named("repeater", "r"),)))
    made = score(dead, told)
    assert (made.first, made.is_right, made.delay_ms) == ("silent", False, 6 * HOUR)


def test_a_gateway_is_named_without_a_site() -> None:
    lost = Trouble("gateway-down", (), "mast", 10 * DAY, 10 * DAY + 4 * HOUR, ())
    told = looks((10.125, (named("gateway-lost"),)), (10.5, ()))
    made = score(lost, told)
    assert (made.is_right, made.delay_ms, made.right_at_end) == (True, 3 * HOUR, True)


def test_a_station_without_power_may_be_called_silent_before_its_cause_is_known() -> None:
    told = looks((10.25, (named("silent", "a"),)), (10.5, (named("restarts", "a"),)))
    dark = {"a": ((round(10.24 * DAY), round(10.26 * DAY)),)}
    assert score(trouble("power-cut", "a"), told, dark).first == "restarts"
    assert score(trouble("power-cut", "a"), told).first == "silent"


def test_an_accusation_counts_once_and_again_after_it_was_gone_for_three_days() -> None:
    accused = (named("antenna", "a"),)
    told = looks((8, accused), (10, accused), (12.9, accused), (16, accused), (18, ()))
    # 8 -> 10 -> 12.9 are never more than three days apart; 12.9 -> 16 is 3.1 days.
    found = false_accusations((), told, {})
    assert [(one.at_ms, one.whose) for one in found] == [(8 * DAY, "a"), (16 * DAY, "a")]


def test_a_site_is_accused_falsely_before_its_trouble_and_not_after() -> None:
    told = looks((9, (named("loop", "a"),)), (11, (named("stuck", "a"), named("loop", "b"))))
    found = false_accusations((trouble("loop", "a"),), told, {})
    assert [(one.whose, one.cause) for one in found] == [("a", "loop"), ("b", "loop")]


def test_a_quiet_site_may_be_called_silent_while_it_is_and_nothing_else() -> None:
    silent = {"a": ((10 * DAY, 10 * DAY + HOUR),)}
    both = (named("silent", "a"), named("antenna", "a"))
    told = looks((10.02, both), (10.5, (named("silent", "a"),)))
    found = false_accusations((), told, silent)
    # 10.5 is eleven hours after the silence: what is named then is false.
    assert [(one.at_ms, one.cause) for one in found] == [
        (round(10.02 * DAY), "antenna"),
        (round(10.5 * DAY), "silent"),
    ]


def test_months_of_sound_sites_end_where_their_trouble_begins() -> None:
    # Of 30.44 days: a until its trouble on day 10, b all of them.
    months = healthy_months(("a", "b"), (trouble("loop", "a"),), 0, round(30.44 * DAY))
    assert months == pytest.approx(1 + 10 / 30.44, abs=1e-9)


def test_a_tiny_run_gives_every_figure() -> None:
    made = run(seed=3, sites=4, days=19, hours=48)
    assert {
        "first_cause_right",
        "false_per_healthy_site_month",
        "detection_days_median",
        "confusion",
        "classes",
        "words",
        "accusations",
    } <= made.keys()
    assert made["sites"] == 4
    words = made["words"]
    assert isinstance(words, dict)
    assert words.keys() <= {str(one) for one in Confidence}


def test_a_bench_without_days_is_refused() -> None:
    with pytest.raises(ConfigError, match="18 days at least"):
        run(days=10)


# --- drawing ----------------------------------------------------------------------------


def test_troubles_begin_in_their_weeks_one_a_site_and_no_sound_site_runs_dark() -> None:
    drawn = draw_network(seed=4, number=0, sites=12, days=45)
    made = draw_troubles(drawn, seed=4, number=0)
    days = [(one.from_ms - drawn.begin_ms) / DAY for one in made.troubles]
    assert min(days) >= 12
    assert max(days) <= 45 - 6
    whose = [key for one in made.troubles for key in (*one.sites, *one.touched)]
    assert len(whose) == len(set(whose))
    assert len(made.troubles) >= 3
    sound = [site for site in drawn.true.sites if site.key not in whose]
    for site in sound:
        assert site.latitude is not None
        assert site.longitude is not None
        weather = Weather(drawn.seed, site.latitude, site.longitude)
        power = SitePower(site, weather, drawn.seed, Faults(made.quiet, drawn.zone))
        assert power.is_on(np.arange(drawn.begin_ms / 1000, drawn.end_ms / 1000, 3600.0)).all()
    assert len(sound) >= 4


# --- the record -------------------------------------------------------------------------

NETWORK = """
title = "One tank"
time_zone = "America/Denver"
contract_hour = 7
contract_zone = "UTC-07:00"

[[gateway]]
key = "mast"
name = "Mast"
transport = "rtu-over-tcp"
address = "127.0.0.1:5020"
latitude = 44.1
longitude = -106.3

[[profile]]
key = "tank"

  [[profile.point]]
  tag = "LVL"
  name = "Level"
  kind = "analog-input"
  table = "input"
  register = 0
  layout = "uint16"
  raw = [4000, 20000]
  value = [0.0, 5.0]
  unit = "m"
  loop = "4-20mA"

  [[profile.point]]
  tag = "VBAT"
  name = "Supply voltage"
  kind = "supply-voltage"
  table = "input"
  register = 1
  layout = "uint16"
  raw = [0, 10]
  value = [0.0, 1.0]
  unit = "V"

[[site]]
key = "tank"
name = "Tank"
gateway = "mast"
unit = 1
profile = "tank"
poll_every_s = 150
latitude = 44.0
longitude = -106.2
  [site.supply]
  kind = "solar"
  chemistry = "agm"
  capacity_ah = 33
  panel_w = 40
  disconnect_v = 11.5
"""
FAULTS = """
[[fault]]
kind = "dead"
site = "tank"
from = "-3d"
to = "-68h"

[[fault]]
kind = "shared-address"
site = "tank"
from = "-45h"
to = "-40h"
rate = 0.9

[[fault]]
kind = "refused"
site = "tank"
from = "-30h"
to = "-28h"

[[fault]]
kind = "gateway-down"
gateway = "mast"
from = "-20h"
to = "-18h"

[[fault]]
kind = "loop"
site = "tank"
tag = "LVL"
milliamps = 3.2
from = "-10h"

[[fault]]
kind = "dead"
site = "tank"
from = "-90min"
"""
NOW = 1_772_964_000_000 + 20 * 60_000  # 2026-03-08 10:20 UTC
BEGIN = NOW - 5 * DAY
CONTRACT = Contract("UTC-07:00", 7)


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Web, PastSite, PollColumns]]:
    """The same polls in a database and in memory."""
    web = begin(tmp_path_factory.mktemp("bench"), NETWORK)
    (gateway,) = web.view.gateways
    (plan,) = gateway.sites
    network = network_file.read(NETWORK, "one-tank.toml")[1]
    faults = read_faults(FAULTS, "faults.toml", network, NOW)
    past = Past(Simulated(network, 5, faults, LIVELY), plan.site, plan.layout)
    columns = past.polls(BEGIN, NOW)
    for first in range(BEGIN - BEGIN % DAY, NOW, DAY):
        store_day(web.database, plan.site_id, plan.layout, columns.between(first, first + DAY))
    zone = find_zone("America/Denver")
    held = past_site(gateway.gateway, plan, columns, zone, CONTRACT)
    place = NightSite(plan.site_id, "VBAT", 44.0, -106.2)
    days = [date(2026, 3, day) for day in range(2, 10)]
    compute_nights(web.database, [place], days, zone, NOW)
    close_days(web.database, NOW)
    yield web, held, columns
    web.database.close()


Both = tuple[Web, PastSite, PollColumns]
# Hours begin: inside of the past, at an outage, at its end, at the end of the past.
INSTANTS = (NOW - 50 * HOUR, NOW - 42 * HOUR, NOW - 19 * HOUR, NOW)


def test_contact_by_hour_is_what_a_server_reads(both: Both) -> None:
    web, held, _ = both
    with web.database.reading() as conn:
        read = judging._Weeks.read(conn, web.view, NOW).of(conn, 1).contact
    made = held.contact(NOW)
    assert read is not None
    assert made is not None
    assert read.at_ms.tolist() == made.at_ms.tolist()
    assert read.cells.tolist() == made.cells.tolist()
    assert read.garbled == made.garbled
    assert read.refused == made.refused
    assert sum(made.garbled.values()) > 50  # a poll each 150 s: 120 in five hours
    assert sum(made.refused.values()) > 30  # 48 in two hours


def test_outages_are_what_a_server_reads_with_what_they_have_in_common(both: Both) -> None:
    web, held, _ = both
    with web.database.reading() as conn:
        read = judging._Weeks.read(conn, web.view, NOW).of(conn, 1).outages
    made = explained_outages(web.view.gateways, {1: held}, NOW, CONTRACT)[1]
    assert list(read) == list(made)
    assert made[0].lasted_ms(NOW) == pytest.approx(4 * HOUR, abs=10 * 60_000)
    assert made[-1].to_ms is None


def test_nights_and_answer_times_are_what_a_server_reads(both: Both) -> None:
    web, held, _ = both
    zone = find_zone("America/Denver")
    with web.database.reading() as conn:
        read = judging._Weeks.read(conn, web.view, NOW).of(conn, 1)
    made = held.until(NOW, (), zone)
    assert list(read.nights) == list(made.nights)
    assert len(made.nights) == 5  # five days end with as many sunrises before 03:20 local
    assert [day for day, _ in made.answers] == [day for day, _ in read.answers]
    assert [dict(some) for _, some in made.answers] == [dict(some) for _, some in read.answers]


@pytest.mark.parametrize("tag", ["LVL", "VBAT"])
def test_readings_and_hours_of_a_point_are_what_a_server_reads(both: Both, tag: str) -> None:
    web, held, _ = both
    span = (NOW - 3 * DAY - 7 * 60_000, NOW)
    made = held.until(NOW, (), find_zone("America/Denver"))
    with web.database.reading() as conn:
        record = judging._Weeks.read(conn, web.view, NOW).of(conn, 1)
        readings, hours = record.readings(tag, *span), record.hours(tag, *span)
    at_ms, values = made.readings(tag, *span)
    assert readings[0].tolist() == at_ms.tolist()
    np.testing.assert_array_equal(readings[1], values)
    ours = made.hours(tag, *span)
    assert hours.at_ms.tolist() == ours.at_ms.tolist()
    for name in ("n", "least", "most", "first", "last", "changes"):
        np.testing.assert_array_equal(getattr(hours, name), getattr(ours, name), err_msg=name)
    np.testing.assert_allclose(hours.mean, ours.mean, rtol=1e-12)


@pytest.mark.parametrize("now_ms", INSTANTS)
def test_a_site_stands_as_if_every_poll_had_been_followed(both: Both, now_ms: int) -> None:
    web, held, columns = both
    gateway, plan = web.view.gateways[0].gateway, held.plan
    state = first_state(plan.layout, SiteStatus.NEVER_ANSWERED, BEGIN)
    for poll in polls_of(columns.between(BEGIN, now_ms), plan.site_id, plan.layout.id):
        state = next_state(state, poll, plan.layout, patience(plan.site, gateway))
    asked = PastState(gateway, plan, columns)
    found = [asked.at(at_ms) for at_ms in (now_ms - 9 * HOUR, now_ms - HOUR, now_ms)][-1]
    assert found is not None
    for name in ("status", "last_answer_ms", "first_miss_ms", "missed_in_row", "probe_s", "code"):
        assert getattr(found, name) == getattr(state, name), name
    assert found.block_words == state.block_words

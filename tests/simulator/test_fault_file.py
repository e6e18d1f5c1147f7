"""What a person may write about troubles, and what is said of mistakes."""

from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from tallymast.domain.errors import ConfigError
from tallymast.domain.model import Network
from tallymast.simulator.fault_file import read_faults
from tallymast.simulator.faults import FaultKind, Faults

ZONE = ZoneInfo("America/Denver")
START_MS = round(datetime(2026, 3, 8, 12, 0, tzinfo=ZONE).timestamp() * 1000)  # clocks go forward


def read(network: Network, text: str) -> Faults:
    return read_faults(text, "faults.toml", network, START_MS)


def local(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, ZONE).strftime("%Y-%m-%d %H:%M:%S")


def test_a_time_is_understood_on_the_demos_clock(network: Network) -> None:
    text = '[[fault]]\nkind = "dead"\nsite = "tank"\nfrom = "D-4 14:20"\nto = "D+1 06:05:30"\n'
    (fault,) = read(network, text)
    # The clocks were changed in between: it is the clock on the wall that counts.
    assert local(fault.from_ms) == "2026-03-04 14:20:00"
    assert local(fault.to_ms) == "2026-03-09 06:05:30"


def test_the_demo_day_may_be_written_down(network: Network) -> None:
    text = 'demo_day = 2026-01-10\n[[fault]]\nkind = "dead"\nsite = "tank"\nfrom = "D 00:00"\n'
    (fault,) = read(network, text)
    assert local(fault.from_ms) == "2026-01-10 00:00:00"


def test_a_span_may_be_counted_from_the_start(network: Network) -> None:
    text = '[[fault]]\nkind = "dead"\nsite = "tank"\nfrom = "-3h10min"\nto = "+1.5h"\n'
    (fault,) = read(network, text)
    assert fault.from_ms == START_MS - (3 * 60 + 10) * 60_000
    assert fault.to_ms == START_MS + 90 * 60_000


def test_daily_hours_follow_the_local_clock_through_the_change_of_clocks(network: Network) -> None:
    text = (
        '[[fault]]\nkind = "interference"\nsite = "tank"\nrate = 0.4\ndaily = ["05:00", "07:30"]\n'
    )
    faults = read(network, text)
    tank = network.sites[1]
    clocks = [(7, 4, 59), (7, 5, 0), (7, 7, 29), (7, 7, 30), (9, 4, 59), (9, 5, 0), (9, 7, 30)]
    at_ms = np.array(
        [
            round(datetime(2026, 3, day, hour, minute, tzinfo=ZONE).timestamp() * 1000)
            for day, hour, minute in clocks
        ]
    )
    rate = faults.rate(FaultKind.INTERFERENCE, tank, at_ms)
    assert rate.tolist() == [0, 0.4, 0.4, 0, 0, 0.4, 0]


def test_daily_hours_may_go_over_midnight(network: Network) -> None:
    text = '[[fault]]\nkind = "dead"\nsite = "tank"\ndaily = ["22:00", "04:00"]\n'
    faults = read(network, text)
    at_ms = np.array([START_MS + hours * 3_600_000 for hours in (0, 10, 13, 17)])
    assert faults.holds(FaultKind.DEAD, network.sites[1], at_ms).tolist() == [
        False,
        True,
        True,
        False,
    ]


def test_a_sector_is_the_sites_between_two_bearings() -> None:
    from tallymast import assets
    from tallymast.domain import network_file

    path = assets.demo_data() / "ombrel-basin.toml"
    demo = network_file.read(path.read_text(encoding="utf-8"), path.name)[1]
    text = '[[fault]]\nkind = "interference"\ngateway = "marrowdun"\nbearing = [{}]\n'
    some = [one.site for one in read(demo, text.format("226, 243"))]
    assert some == ["gannet-turnout", "plover-turnout", "osier-pond"]
    # A sector over north: 300° to 50° holds the valve at 318°, the tank at 15°, the booster at 48°.
    over_north = [one.site for one in read(demo, text.format("300, 50"))]
    assert over_north == ["quill-tank", "dunlin-booster", "rook-valve"]


def test_a_signal_may_step_or_grow(network: Network) -> None:
    tank = network.sites[1]
    at_ms = START_MS + np.array([-1, 0, 1800, 3600, 7200]) * 1000
    where = '[[fault]]\nkind = "signal"\nsite = "tank"\ndb = -10\nfrom = "+0s"\nto = "+1h"\n'
    assert read(network, where).db(tank, at_ms).tolist() == [0, -10, -10, 0, 0]
    grown = read(network, where + "grows = true\n").db(tank, at_ms)
    assert grown == pytest.approx([0, 0, -5, -10, -10])


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ('kind = "signal"\nsite = "tank"', "[fault 1 db] signal needs this key."),
        ('kind = "signal"\nsite = "tank"\ndb = -500', "outside -80 to 40"),
        ('kind = "signal"\nsite = "tank"\ndb = -5\ngrows = true', "needs both from and to"),
        ('kind = "loop"\nsite = "tank"\ntag = "LVEL"\nmilliamps = 3.5', 'did you mean "LVL"'),
        ('kind = "dead"\nsite = "tank"\ndb = -5', "dead does not take this key"),
        ('kind = "dead"\nsite = "tank"\ndaily = ["5 o\'clock", "07:00"]', "no clock time"),
        ('kind = "dead"\nsite = "tank"\ndaily = "05:00"', "two local clock times"),
        ('kind = "dead"\nsite = "tank"\nbearing = [1, 2]', "write a gateway"),
        ('kind = "dead"\ngateway = "mast"\nbearing = [1]', "two true bearings"),
        ('kind = "dead"\nsite = "tank"\nfrom = "D-4"', '"D-4" is no time'),
        ('kind = "dead"\nsite = "tank"\nfrom = "D-4 25:00"', "is no time"),
        ('kind = "worn-battery"\nsite = "tank"\ncapacity_ah = [33, 8]', "write from and to"),
        ('kind = "worn-battery"\nsite = "tank"\ncapacity_ah = 33', "write two capacities"),
        ('kind = "gateway-down"\nsite = "tank"', "names a gateway and no site"),
    ],
)
def test_a_mistake_is_told_where_it_stands(network: Network, text: str, part: str) -> None:
    with pytest.raises(ConfigError) as caught:
        read(network, f"[[fault]]\n{text}\n")
    assert part in str(caught.value)


def test_all_mistakes_are_told_at_once(network: Network) -> None:
    text = '[[fault]]\nkind = "ded"\nsite = "tnk"\n[[fault]]\nkind = "late"\nsite = "tank"\n'
    with pytest.raises(ConfigError) as caught:
        read(network, text)
    assert len(caught.value.mistakes) == 3

"""Whether a month of counting is exact where it can be known, and honest where it cannot.

A month of simulated meters is stored as a poller would have brought it, the keeper of volumes
works out its hours, and days and the month are joined from these. Half of the sites only lose
polls: hours of radio silence, a gateway that is away, a share of all exchanges; their counts
have to be right to the pulse. The others lose their power as well, and restart with their
count, with an older one or with none, some of them without a restart counter: there the truth
has to lie within what is stated, for every day and for the month. The truth is the simulator's
flow itself, which no station's counter has touched.
"""

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Final

import numpy as np

from tallymast import networks
from tallymast.domain.errors import ConfigError
from tallymast.domain.model import GatewayPlan, SitePlan
from tallymast.domain.record.days import days_between
from tallymast.domain.totals.segments import Segment, join
from tallymast.routes.services import NetworkView
from tallymast.simulator.faults import Fault, FaultKind, Faults
from tallymast.simulator.history import Past, World
from tallymast.simulator.radio_path import STEADY
from tallymast.simulator.site_model import SiteModel
from tallymast.storage import volume_hours
from tallymast.storage.count_readings import count_readings
from tallymast.storage.days import load_contract
from tallymast.storage.engine import Database, open_database
from tallymast.storage.history import store_day
from tallymast.storage.volume_hours import Counted
from tallymast.storage.volume_keeping import counted_points
from tallymast.volume_keeper import VolumeKeeper

HOUR_MS: Final = 3_600_000
DAY_MS: Final = 24 * HOUR_MS
BEGIN_MS: Final = 1_761_955_200_000  # 2025-11-01 00:00 UTC; the clocks go back on the 2nd

_POINT = """  [[profile.point]]
  tag = "{tag}"
  kind = "{kind}"
  table = "input"
  register = {register}
  layout = "{layout}"
"""
# 16 bits at 2 Hz wrap in 9.1 h at the soonest, 32 bits never; 10 000 at 0.5 Hz in 5.6 h.
_TOTALS: Final = (("uint16", 2, ""), ("uint32", 40, ""), ("uint16", 0.5, "modulus = 10000"))
_LONGEST_H: Final = 5.0
_PHASE: Final = 12.0  # pulses a month: at most one a restart


@dataclass
class Tally:
    """What was compared; errors and intervals in pulses."""

    pulse_error: float = 0.0
    days: int = 0
    spans: int = 0
    covered: int = 0
    unknown: float = 0.0
    passed: float = 0.0
    first: list[str] = field(default_factory=list)  # the first spans outside, in sentences


def run(seed: int = 1, days: int = 30, sites: int = 8) -> dict[str, object]:
    """Store ``days`` of ``sites`` meters (an even number), work out their volumes and compare.

    Returns:
        ``pulse_error``: pulses by which months and days of sites that kept their power are wrong,
        added up; ``unknown_covers_truth``: whether the truth of every day and month of the
        others lies within what is stated; ``spans`` of these and how many are ``covered``;
        ``unknown_share``: the stated unknown as a share of what passed there; ``pulses``: what
        passed at the first.

    Raises:
        ConfigError: too few days or sites.

    """
    if days < 2 or sites < 2:
        raise ConfigError("bench volumes needs at least two days and two sites.")
    kept, lost = Tally(), Tally()
    with (
        tempfile.TemporaryDirectory() as folder,
        closing(open_database(Path(folder) / "volumes.sqlite3")) as database,
    ):
        networks.bring_network(database, network_text(sites), "volumes.toml")
        network, plan = networks.load_network(database)
        (gateway,) = plan.gateways
        faults = Faults(drawn_faults(gateway, days, Random(seed)))
        world = World(network, seed, faults, STEADY)
        end_ms = BEGIN_MS + days * DAY_MS
        for site in gateway.sites:
            _store(database, world, site, end_ms)
        VolumeKeeper(database, lambda: NetworkView(network, plan), lambda: end_ms, 0.0).look()
        for n, site in enumerate(gateway.sites):
            model = SiteModel(network, site.site, seed, faults)
            _compare(database, model, gateway, site, lost if n % 2 else kept)
    return _figures(kept, lost)


def _figures(kept: Tally, lost: Tally) -> dict[str, object]:
    return {
        "pulse_error": kept.pulse_error,
        "unknown_covers_truth": lost.covered == lost.spans > 0,
        "days": kept.days,
        "spans": lost.spans,
        "covered": lost.covered,
        "unknown_share": round(lost.unknown / lost.passed, 4) if lost.passed else None,
        "pulses": kept.passed,
        "first": [*kept.first, *lost.first][:5],
    }


def network_text(sites: int) -> str:
    """Return a network of meters behind one gateway, every fourth without a restart counter."""
    parts = [
        'title = "Meters"\ntime_zone = "America/Denver"\ncontract_hour = 7\n'
        '[[gateway]]\nkey = "mast"\nname = "Mast"\ntransport = "rtu-over-tcp"\n'
        'address = "127.0.0.1:5020"\n'
    ]
    for n, (layout, rate, more) in enumerate(_TOTALS):
        for counted in (True, False):
            parts.append(f'[[profile]]\nkey = "m{n}{int(counted)}"\nname = "Meter"\n')
            parts.append(
                _POINT.format(tag="TOT", kind="totalizer", register=0, layout=layout)
                + f"  max_rate = {rate}\n  {more}\n"
            )
            if counted:
                parts.append(
                    _POINT.format(tag="RESTARTS", kind="counter", register=2, layout="uint16")
                )
    for n in range(sites):
        profile = f"m{n // 2 % len(_TOTALS)}{int(n % 8 != 7)}"
        parts.append(
            f'[[site]]\nkey = "meter-{n}"\nname = "Meter {n}"\ngateway = "mast"\nunit = {n + 1}\n'
            f'profile = "{profile}"\npoll_every_s = 60\n[site.supply]\nkind = "mains"\n'
        )
    return "\n".join(parts)


def drawn_faults(gateway: GatewayPlan, days: int, lot: Random) -> Iterator[Fault]:
    """Draw what goes wrong: silences at all sites, power cuts at every second one."""
    for _ in range(max(1, days // 5)):
        begin, end = _drawn_span(days, lot, 2.0)
        yield Fault(FaultKind.GATEWAY_DOWN, None, gateway.gateway.key, begin, end)
    for n, site in enumerate(gateway.sites):
        key = site.site.key
        yield Fault(FaultKind.LOST, key, None, rate=0.15)
        for _ in range(max(1, days // 3)):
            begin, end = _drawn_span(days, lot, _LONGEST_H - 2.0)
            yield Fault(FaultKind.DEAD, key, None, begin, end)
        for cut in range(days // 3 * (n % 2)):
            begin, end = _drawn_span(days, lot, 1.0, within=(3 * cut, 3 * cut + 3))
            saved = lot.choice((None, 0, lot.randrange(0, 9_000)))
            yield Fault(FaultKind.POWER_CUT, key, None, begin, end, saved=saved)


def _drawn_span(
    days: int, lot: Random, longest_h: float, within: tuple[int, int] | None = None
) -> tuple[int, int]:
    first, last = within or (0, days)
    begin = BEGIN_MS + round(lot.uniform(first * 24 + 1, last * 24 - longest_h - 1) * HOUR_MS)
    end = begin + round(lot.uniform(0.02, longest_h) * HOUR_MS)
    return begin // 1000 * 1000, end // 1000 * 1000  # a station looks at its inputs by the second


def _store(database: Database, world: World, site: SitePlan, end_ms: int) -> None:
    past = Past(world, site.site, site.layout)
    for columns in past.days(BEGIN_MS, end_ms):
        store_day(database, site.site_id, site.layout, columns)


# --- comparing --------------------------------------------------------------------------


def _compare(
    database: Database, model: SiteModel, gateway: GatewayPlan, site: SitePlan, tally: Tally
) -> None:
    with database.reading() as conn:
        contract = load_contract(conn)
        (point,) = counted_points(conn, gateway.gateway, site)
        end_ms = BEGIN_MS + 400 * DAY_MS
        at_ms = count_readings(conn, site, (point.point,), BEGIN_MS, end_ms)[point.point.tag].at_ms
        days = days_between(BEGIN_MS, int(at_ms[-1]), contract)[:-1]
        some = volume_hours.segments(conn, point.point_id, BEGIN_MS, end_ms)
        by_day = volume_hours.by_days(conn, point.point_id, days)
    month = join(some, some[0].from_ms, some[-1].to_ms)
    _judge(tally, model, point, month, (int(at_ms[0]), int(at_ms[-1])), at_ms)
    tally.passed += _flowed(model, point, int(at_ms[-1])) - _flowed(model, point, int(at_ms[0]))
    tally.unknown += month.unknown or 0.0
    for day, one in zip(days, by_day, strict=True):
        tally.days += 1
        _judge(tally, model, point, one, (day.start_ms, day.end_ms), at_ms)


def _judge(
    tally: Tally,
    model: SiteModel,
    point: Counted,
    one: Segment,
    span: tuple[int, int],
    at_ms: Sequence[int] | np.ndarray,
) -> None:
    """Compare a span; a day's ends lie between two polls, which share what passed between."""
    flowed = [_flowed(model, point, edge) for edge in span]
    truth = flowed[1] - flowed[0]
    room = sum(_between_polls(model, point, edge, at_ms) for edge in span)
    unknown, unproven = one.unknown, one.unproven
    assert unknown is not None
    assert unproven is not None
    tally.spans += 1
    off = max(one.pulses - room - truth, truth - one.pulses - unknown - unproven - room, 0.0)
    tally.covered += off == 0
    tally.pulse_error += max(abs(one.pulses - truth) - room, 0.0) + unknown + unproven
    if off and len(tally.first) < 5:
        tally.first.append(f"{point.plan.site.key} {span}: {one}, truth {truth}, room {room}")


def _flowed(model: SiteModel, point: Counted, at_ms: int) -> float:
    """Return whole pulses by the second in which a station would have answered."""
    return float(np.floor(model.flowed(point.point, np.array([np.floor(at_ms / 1000)])))[0])


def _between_polls(
    model: SiteModel, point: Counted, edge: int, at_ms: Sequence[int] | np.ndarray
) -> float:
    """Return what passed between the readings round an edge; none where the edge is one.

    A station that restarts counts its pulses from another phase: one pulse more or less.
    """
    n = int(np.searchsorted(at_ms, edge))
    if n >= len(at_ms) or int(at_ms[n]) == edge:
        return _PHASE * (point.plan.site.unit % 2 == 0)
    return _flowed(model, point, int(at_ms[n])) - _flowed(model, point, int(at_ms[n - 1])) + 1

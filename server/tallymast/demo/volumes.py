"""Gives the demo what people keep for volumes: a factor, an index that agrees, a permit, a pond.

All invented, and kept once, when the demo begins. The index is made of what the simulated meter
will have counted, a few tenths of a per cent beside it, as a good meter's own register is.
"""

from fractions import Fraction
from typing import Final

import numpy as np
from sqlalchemy import Connection

from tallymast.demo.demonstration import Scene
from tallymast.domain.model import SitePlan
from tallymast.domain.totals.balance import AreaTable
from tallymast.domain.totals.factors import Factor
from tallymast.domain.totals.hand_index import IndexReading
from tallymast.domain.totals.permits import Period, Permit
from tallymast.domain.zones import find_zone
from tallymast.simulator.fault_file import Moments
from tallymast.simulator.site_model import SiteModel
from tallymast.storage import balances, index_readings, k_factors, permits
from tallymast.storage.balances import Group, Storage
from tallymast.storage.engine import Database
from tallymast.storage.k_factors import KeptFactor
from tallymast.storage.volume_keeping import counted_points

_TESTED: Final = "D-20 07:00"
_READ: Final = ("D-31 10:20", "D-2 09:45")
_INDEX: Final = Fraction(31_035_120)  # what Kestrel Pad's register showed first [m³]
_AHEAD: Final = Fraction(1003, 1000)  # the register counts so much more than the station
_PER_PULSE: Final = Fraction(1, 10)  # m³, as the network says of Kestrel Pad
_WELL: Final = Fraction(190_000)  # m³ a month: above what Sorrel Well lifts in any
# A flat pond with sloping banks: level [m], water surface [m²].
_POND: Final = AreaTable((0.0, 1.0, 2.0, 3.0), (2400.0, 3600.0, 4900.0, 6300.0))
_FLUMES: Final = 0.10  # a turnout's flume is right within so much


def demo_volumes(database: Database, shown: Scene) -> bool:
    """Keep it all as of the demo's beginning, once; return whether it was done now."""
    moments = Moments(shown.begun_ms, find_zone(shown.world.network.time_zone))
    with database.writing() as conn:
        if permits.in_force(conn) or balances.in_force(conn):
            return False
        known = _Known(conn, shown)
        if not known.has_all:
            return False  # somebody made the network his own
        _factor(conn, known, moments)
        _indexes(conn, known, moments)
        _permit(conn, known, moments)
        _pond(conn, known, moments)
    return True


class _Known:
    """The demo's sites and counting points by name."""

    def __init__(self, conn: Connection, shown: Scene) -> None:
        self.shown = shown
        self.sites: dict[str, SitePlan] = {}
        self.points: dict[tuple[str, str], int] = {}
        for gateway, plan in shown.sites:
            self.sites[plan.site.key] = plan
            for one in counted_points(conn, gateway.gateway, plan):
                self.points[plan.site.key, one.point.tag] = one.point_id

    @property
    def has_all(self) -> bool:
        """Whether every point that is written about is there."""
        wanted = {
            ("gannet-turnout", "TOT1"),
            ("gannet-turnout", "TOT2"),
            ("plover-turnout", "TOT1"),
            ("kestrel-pad", "TOT1"),
            ("sorrel-well", "TOT"),
        }
        return wanted <= self.points.keys() and "osier-pond" in self.sites


def _factor(conn: Connection, known: _Known, moments: Moments) -> None:
    from_ms = moments.at_ms(_TESTED)
    factor = Factor(from_ms, Fraction(1004, 10_000), "m³")
    note = "Flume re-rated by current meter, 0.4 % more"
    point_id, entered_ms = known.points["gannet-turnout", "TOT1"], from_ms + 9 * 3_600_000
    k_factors.enter(conn, KeptFactor(point_id, factor, entered_ms, "M. Okoro", note))


def _indexes(conn: Connection, known: _Known, moments: Moments) -> None:
    plan, shown = known.sites["kestrel-pad"], known.shown
    total = plan.site.point("TOT1")
    if total is None:
        return
    model = SiteModel(shown.world.network, plan.site, shown.world.seed, shown.world.faults)
    times = [moments.at_ms(one) for one in _READ]
    counts = model.flowed(total, np.array(times) / 1000.0)
    passed = Fraction(round(float(counts[1] - counts[0]))) * _PER_PULSE * _AHEAD
    shows = (_INDEX, _INDEX + round(passed, 1))
    for at_ms, index in zip(times, shows, strict=True):
        read = (at_ms, index, "m³", False, at_ms + 5 * 3_600_000, "R. Hale", "mechanical register")
        index_readings.add(conn, IndexReading(0, known.points["kestrel-pad", "TOT1"], *read))


def _permit(conn: Connection, known: _Known, moments: Moments) -> None:
    at_ms = moments.at_ms("D-58 09:00")
    points = (known.points["sorrel-well", "TOT"],)
    note = "District licence, renewed each spring"
    name = "Sorrel Well licence"
    permits.enter(
        conn,
        Permit(0, name, Period.MONTH, _WELL, "m³", points, at_ms, at_ms, "M. Okoro", note),
    )


def _pond(conn: Connection, known: _Known, moments: Moments) -> None:
    level = Storage(known.sites["osier-pond"].site_id, "LVL", _POND)
    inflows = (known.points["gannet-turnout", "TOT1"],)
    outflows = (known.points["gannet-turnout", "TOT2"], known.points["plover-turnout", "TOT1"])
    group = Group(0, "Osier Pond", inflows, outflows, (level,), _FLUMES)
    balances.enter(conn, group, at_ms=moments.at_ms("D-58 09:30"), actor="M. Okoro")

"""Which points are counted, and where they stand: every totalizer and counter of the network.

Durations and counters of starts are not volumes; /run-hours tells of them.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import Connection

from tallymast.domain.model import Gateway, PointKind, SitePlan
from tallymast.domain.totals.pumps import pumps_at
from tallymast.routes.api.finding import any_site, the_point
from tallymast.routes.problems import Problem
from tallymast.routes.services import NetworkView
from tallymast.storage.volume_hours import Counted
from tallymast.storage.volume_keeping import counted_of_many, counted_points

NO_AREA = "Without an area"


@dataclass(frozen=True, slots=True)
class Stood:
    """A counting point and its gateway."""

    gateway: Gateway
    counted: Counted

    @property
    def plan(self) -> SitePlan:
        """Its site."""
        return self.counted.plan

    @property
    def area(self) -> str:
        """The area its site lies in."""
        return self.counted.plan.site.area or NO_AREA

    @property
    def both_ways(self) -> bool:
        """Whether its meter also counts down."""
        return self.counted.meter.both_ways

    @property
    def word(self) -> str:
        """What it is asked for by: ``SITE/TAG``."""
        return f"{self.counted.plan.site.key}/{self.counted.point.tag}"


def all_points(conn: Connection, network: NetworkView) -> list[Stood]:
    """Return every point that counts a volume, of retired sites too, in the network's order."""
    plans = [(one.gateway, plan) for one in network.gateways_with_retired() for plan in one.sites]
    return [
        Stood(gateway, one)
        for (gateway, _), some in zip(plans, counted_of_many(conn, plans), strict=True)
        for one in some
        if counts_volume(one)
    ]


def counts_volume(one: Counted) -> bool:
    """Whether a counting point counts a volume, or pulses that may stand for one."""
    kind = one.point.kind
    if kind is PointKind.COUNTER:
        return one.point not in pumps_at(one.plan.site).starts
    return kind is PointKind.TOTALIZER


def chosen(some: Iterable[Stood], area: str = "", site: str = "", tag: str = "") -> list[Stood]:
    """Return the points of an area and of a site; without either all of them."""
    return [
        one
        for one in some
        if area in ("", one.area)
        and site in ("", one.plan.site.key)
        and tag in ("", one.counted.point.tag)
    ]


def the_counted(conn: Connection, network: NetworkView, key: str, tag: str) -> Stood:
    """Return one counting point.

    Raises:
        Problem: 404, where there is no such site or point, or it does not count.

    """
    plan = any_site(network, key)
    point = the_point(plan, tag)
    gateway = network.gateway_of(plan.site_id).gateway
    for one in counted_points(conn, gateway, plan):
        if one.point.tag == tag:
            return Stood(gateway, one)
    raise Problem(404, f"{plan.site.name}, {point.name}: this point counts nothing.")

"""Networks drawn at random: where they lie, how their sites stand, what each station is.

Every span lies between two midsummers, because there every battery of the simulator is full
again. Outputs, and stations that answer only a part of their registers, are not drawn.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo

from numpy.random import Generator, default_rng

from tallymast.benches.drawn_stations import draw_points
from tallymast.benches.drawn_supplies import Span, draw_supply
from tallymast.domain.modbus.blocks import site_layout
from tallymast.domain.model import (
    Gateway,
    GatewayPlan,
    Network,
    Site,
    SitePlan,
    Transport,
)
from tallymast.domain.positions import offset
from tallymast.domain.read_plan import read_plan
from tallymast.domain.zones import find_zone
from tallymast.simulator.faults import Fault, FaultKind, Faults

DAY_MS = 86_400_000
LEAST_SITES, MOST_SITES = 12, 24
# zone, contract zone, longitude, south of the equator
_PLACES = (
    ("America/Denver", "UTC-07:00", -105.0, False),
    ("America/New_York", "UTC-05:00", -76.0, False),
    ("Europe/Berlin", "UTC+01:00", 11.0, False),
    ("Europe/Kyiv", "UTC+02:00", 31.0, False),
    ("Asia/Tashkent", "UTC+05:00", 67.0, False),
    ("America/Argentina/Mendoza", "UTC-03:00", -68.0, True),
    ("Australia/Adelaide", "UTC+09:30", 139.0, True),
)
_MAKES = ("tank", "tank", "meter", "meter", "pump", "gate")
_PERIODS_S = (30.0, 60.0, 60.0, 120.0, 120.0, 180.0, 180.0, 300.0, 300.0)
_REPEATERS = 0.18  # chance that the next station of a mast is one


@dataclass(frozen=True)
class Drawn:
    """A network and when it is looked at.

    Attributes:
        network: as people described it.
        true: as it is.
        gateways: plans of the described one.
        seed: of its weather and radio.
        begin_ms: from when on it was polled.
        end_ms: until when.
        zone: its clock.
        quiet: what is ordered that is no trouble.

    """

    network: Network
    true: Network
    gateways: tuple[GatewayPlan, ...]
    seed: int
    begin_ms: int
    end_ms: int
    zone: tzinfo
    quiet: tuple[Fault, ...]

    def plan(self, key: str) -> SitePlan:
        """Return a site's plan by its key."""
        plans = (plan for gateway in self.gateways for plan in gateway.sites)
        return next(plan for plan in plans if plan.site.key == key)


def sizes(sites: int) -> list[int]:
    """Return into how many sites a number is parted: one network each."""
    parts = max(1, round(sites / ((LEAST_SITES + MOST_SITES) / 2)))
    return [sites // parts + (n < sites % parts) for n in range(parts)]


def draw_network(seed: int, number: int, sites: int, days: int) -> Drawn:
    """Return a network of so many sites, looked at for so many days."""
    chance = default_rng((seed, number))
    zone_name, contract_zone, longitude, is_south = _PLACES[int(chance.integers(len(_PLACES)))]
    latitude = float(chance.uniform(30.0, 46.0 if is_south else 55.0)) * (-1 if is_south else 1)
    begin_ms = _begin_ms(chance, days, is_south=is_south)
    span = Span(begin_ms, begin_ms + days * DAY_MS, int(chance.integers(1, 2**31)))
    gateways = _gateways(chance, latitude, longitude + float(chance.uniform(-3.0, 3.0)))
    bare = list(_sites(chance, gateways, sites))
    dull = _dull_week(chance, bare, span)
    zone = find_zone(zone_name)
    pairs = [draw_supply(chance, site, span, Faults(dull, zone)) for site in bare]
    solar = {one.key for one, _ in pairs if one.supply and one.supply.panel_w}
    network = Network(
        "Drawn", zone_name, 7, contract_zone, gateways, (), tuple(one for one, _ in pairs)
    )
    return Drawn(
        network,
        replace(network, sites=tuple(true for _, true in pairs)),
        tuple(plans(network)),
        span.seed,
        span.begin_ms,
        span.end_ms,
        zone,
        tuple(fault for fault in dull if fault.site in solar),
    )


def plans(network: Network) -> Iterator[GatewayPlan]:
    """Yield a network's gateways with what is polled of their sites."""
    ids = {site.key: n for n, site in enumerate(network.sites, start=1)}
    for number, gateway in enumerate(network.gateways, start=1):
        some = []
        for site in network.sites:
            if site.gateway == gateway.key:
                points = {point.tag: n for n, point in enumerate(site.points, start=1)}
                blocks = read_plan(site, gateway)
                own = ids[site.key]
                layout = site_layout(own, own, site.points, points, blocks)
                some.append(SitePlan(own, site, layout, ids.get(site.via or "")))
        yield GatewayPlan(number, gateway, tuple(some))


def _begin_ms(chance: Generator, days: int, *, is_south: bool) -> int:
    year, month = int(chance.integers(2021, 2031)), 1 if is_south else 7
    summer = datetime(year, month, 1, tzinfo=UTC).timestamp()
    day = chance.uniform(2.0, max(364.0 - days, 3.0))
    return round(1000 * (summer + 86_400 * day)) // 60_000 * 60_000


def _dull_week(chance: Generator, sites: Sequence[Site], span: Span) -> list[Fault]:
    """In half of the networks, a week in which all panels give but a part of what they could."""
    days = (span.end_ms - span.begin_ms) / DAY_MS
    if chance.random() < 0.5 or days < 15:
        return []
    begin_ms = span.begin_ms + round(chance.uniform(5.0, days - 8.0) * DAY_MS)
    rate, lasts = float(chance.uniform(0.4, 0.65)), float(chance.uniform(4.0, 7.5))
    return [
        Fault(
            FaultKind.NO_CHARGE,
            site.key,
            None,
            begin_ms,
            begin_ms + round(lasts * DAY_MS),
            rate=rate,
        )
        for site in sites
    ]


# --- who stands where -------------------------------------------------------------------


def _gateways(chance: Generator, latitude: float, longitude: float) -> tuple[Gateway, ...]:
    places = [(latitude, longitude)]
    if chance.random() < 0.5:
        far_km, bearing = float(chance.uniform(25.0, 60.0)), float(chance.uniform(0.0, 360.0))
        places.append(offset(latitude, longitude, far_km, bearing))
    return tuple(
        Gateway(
            key=f"mast-{n}",
            name=f"Mast {n}",
            transport=Transport.MODBUS_TCP if chance.random() < 0.25 else Transport.RTU_OVER_TCP,
            address="127.0.0.1:5020",
            latitude=there[0],
            longitude=there[1],
        )
        for n, there in enumerate(places, start=1)
    )


def _sites(chance: Generator, gateways: Sequence[Gateway], sites: int) -> Iterator[Site]:
    """Yield the sites of all gateways."""
    share = -(-sites // len(gateways))
    for number, gateway in enumerate(gateways):
        yield from _behind(chance, gateway, min(share, sites - number * share))


def _behind(chance: Generator, gateway: Gateway, sites: int) -> Iterator[Site]:
    """Yield a gateway's sites in clusters of directions; some stand behind a repeater."""
    clusters = chance.uniform(0.0, 360.0, int(chance.integers(3, 6)))
    repeater: Site | None = None
    away, carried = 0.0, 0
    for unit in range(1, sites + 1):
        make = str(chance.choice(_MAKES))
        if carried and repeater is not None:
            carried -= 1
            bearing = (away + float(chance.normal(0.0, 35.0))) % 360.0
            there = (float(chance.uniform(3.0, 12.0)), bearing)
            yield _site(chance, gateway, unit, make, there, repeater)
        elif sites - unit >= 4 and unit >= 5 and chance.random() < _REPEATERS:
            carried = int(chance.integers(2, min(5, sites - unit)))
            away = float(chance.uniform(0.0, 360.0))
            there = (float(chance.uniform(9.0, 18.0)), away)
            repeater = _site(chance, gateway, unit, "repeater", there)
            yield repeater
        else:
            bearing = float(chance.choice(clusters) + chance.normal(0.0, 11.0)) % 360.0
            yield _site(chance, gateway, unit, make, (float(chance.uniform(1.5, 27.0)), bearing))


def _site(
    chance: Generator,
    gateway: Gateway,
    unit: int,
    make: str,
    there: tuple[float, float],
    via: Site | None = None,
) -> Site:
    """Return a station ``there``: distance [km] and bearing [°] from its mast or repeater."""
    end = via or gateway
    latitude, longitude = offset(end.latitude or 0.0, end.longitude or 0.0, *there)
    return Site(
        key=f"{gateway.key}-{unit}",
        name=f"{make.title()} {unit}",
        gateway=gateway.key,
        unit=unit,
        profile=make,
        points=draw_points(chance, make),
        max_words=32,
        spare=(),
        reply_timeout_s=gateway.reply_timeout_s + (1.0 if via else 0.0),
        retries=gateway.retries,
        turnaround_ms=float(chance.choice([20.0, 35.0, 60.0])),
        miss_limit=3,
        poll_every_s=float(chance.choice(_PERIODS_S)),
        via=via.key if via else None,
        latitude=latitude,
        longitude=longitude,
    )

"""Supply traces made by hand: another battery, other noise than the simulator's.

Ours throughout: a rest voltage that bends near empty, a charge that lifts the terminals by an
exponential of its current, noise with heavy tails and a slow wander, readings every ten minutes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.comms.model import Outage
from tallymast.domain.health.diagnosis.diagnose import diagnose
from tallymast.domain.health.diagnosis.evidence import Moment, SiteEvidence
from tallymast.domain.health.diagnosis.model import Diagnosis, Said
from tallymast.domain.health.held_record import HeldRecord
from tallymast.domain.health.nights import Night, night_of, sunrise_ms
from tallymast.domain.health.record import ContactHours
from tallymast.domain.health.weighing import weigh
from tallymast.domain.model import (
    Chemistry,
    Gateway,
    Point,
    PointKind,
    Site,
    SiteStatus,
    Supply,
    SupplyKind,
    Table,
    Transport,
    WordLayout,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
HOUR, DAY, STEP = 3_600_000, 86_400_000, 600_000


@dataclass(frozen=True)
class Where:
    """Where a network stands, whose clock it keeps, and its first midnight."""

    zone: str = "America/Denver"
    latitude: float = 44.0
    longitude: float = -106.2
    year: int = 2026
    month: int = 9

    @property
    def tz(self) -> ZoneInfo:
        return ZoneInfo(self.zone)

    def ms(self, day: float) -> int:
        """Return the instant so many days after the first local midnight."""
        first = datetime(self.year, self.month, 1, tzinfo=self.tz)
        return round(first.timestamp() * 1000 + day * DAY)


WYOMING = Where()
ADELAIDE = Where("Australia/Adelaide", -34.9, 138.6, 2025, 12)
NORTH = Where("Europe/Berlin", 53.0, 11.0, 2026, 11)


AGM = Supply(SupplyKind.SOLAR, Chemistry.AGM, 12.0, 33.0, disconnect_v=11.5)


@dataclass(frozen=True)
class Made:
    """How one site's trace is made; days count from the first midnight.

    Attributes:
        site_id: of the site.
        where: it stands.
        supply: as people described it.
        days: of record.
        panel_a: current of the panel in full sun, of a 12 V pack.
        load_a: what the station draws.
        sky: share of the sun by day; its last entry holds on.
        cut: from and to day without charge.
        dim: share of the panel's current by day.
        capacity: true capacity by day, as a share of the rated.
        over_from: day from which the controller never holds it lower than ``over_v``.
        over_v: of a 12 V pack.
        step_v: steps of the meter.
        noise_v: scale of its noise.
        wander_v: of what comes and goes within hours.
        gaps: spans of days without any poll.
        seed: of the noise.

    """

    site_id: int = 1
    where: Where = WYOMING
    supply: Supply = AGM
    days: float = 30.0
    panel_a: float = 1.2
    load_a: float = 0.08
    sky: Sequence[float] = (1.0,)
    cut: tuple[float, float] | None = None
    dim: Callable[[float], float] = lambda _: 1.0
    capacity: Callable[[float], float] = lambda _: 1.0
    over_from: float | None = None
    over_v: float = 15.5
    step_v: float = 0.01
    noise_v: float = 0.01
    wander_v: float = 0.015
    gaps: Sequence[tuple[float, float]] = ()
    seed: int = 1

    @property
    def packs(self) -> float:
        return self.supply.nominal_v / 12.0


def site_of(made: Made, *more: Point) -> Site:
    volts = Point("VBAT", "Supply", PointKind.SUPPLY_VOLTAGE, Table.INPUT, 0, WordLayout.UINT16)
    return Site(
        key=f"site-{made.site_id}",
        name=f"Site {made.site_id}",
        gateway="mast",
        unit=made.site_id,
        profile="tank",
        points=(volts, *more),
        max_words=20,
        spare=(),
        reply_timeout_s=2.0,
        retries=2,
        turnaround_ms=20.0,
        miss_limit=3,
        poll_every_s=600.0,
        latitude=made.where.latitude + 0.05 * made.site_id,
        longitude=made.where.longitude,
        supply=made.supply,
    )


GATEWAY = Gateway("mast", "Mast", Transport.RTU_OVER_TCP, "127.0.0.1:5020")


# --- the battery -------------------------------------------------------------------------


def trace(made: Made) -> tuple[Ints, Floats]:
    """Return the readings of a site's supply, NaN while it has no power or is not asked."""
    at_ms = np.arange(made.where.ms(0.0), made.where.ms(made.days), STEP, dtype=np.int64)
    kind = made.supply.kind
    volts = _floated(made, at_ms) if kind is SupplyKind.MAINS_WITH_BATTERY else _sunlit(made, at_ms)
    chance = np.random.default_rng(made.seed * 1000 + made.site_id)
    tails = chance.laplace(0.0, made.noise_v, len(at_ms))
    knots = chance.normal(0.0, made.wander_v, len(at_ms) // 18 + 2)
    wander = np.interp(np.arange(len(at_ms)), 18 * np.arange(len(knots)), knots)
    shown = made.packs * (volts + tails + wander)
    shown = np.round(shown / made.step_v) * made.step_v
    for begin, end in made.gaps:
        shown[(at_ms >= made.where.ms(begin)) & (at_ms < made.where.ms(end))] = np.nan
    return at_ms, shown


def sun_share(where: Where, at_ms: Ints) -> Floats:
    """Return the sine of the sun's height, 0 at night; declination by the usual cosine."""
    day = (at_ms / DAY) % 365.25
    tilt = -math.radians(23.44) * np.cos((day + 10) / 365.25 * 2 * np.pi)
    turn = ((at_ms / HOUR + where.longitude / 15) % 24 - 12) / 24 * 2 * np.pi
    lat = math.radians(where.latitude)
    height = math.sin(lat) * np.sin(tilt) + math.cos(lat) * np.cos(tilt) * np.cos(turn)
    return np.asarray(np.clip(height, 0.0, 1.0))


def _sunlit(made: Made, at_ms: Ints) -> Floats:
    chance = np.random.default_rng(7000 + made.where.month)  # one sky for all sites
    day = (at_ms - at_ms[0]) / DAY
    sky = np.array([made.sky[min(int(one), len(made.sky) - 1)] for one in day])
    clouds = chance.uniform(0.75, 1.0, len(at_ms))
    panel = made.panel_a * sun_share(made.where, at_ms) * sky * clouds
    panel *= np.array([made.dim(float(one)) for one in day])
    if made.cut is not None:
        panel[(day >= made.cut[0]) & (day < made.cut[1])] = 0.0
    return _steps(made, day, panel)


def _steps(made: Made, day: Floats, panel: Floats) -> Floats:
    lithium = made.supply.chemistry is Chemistry.LIFEPO4
    rated, hours = made.supply.capacity_ah or 33.0, STEP / HOUR
    off_v = (made.supply.disconnect_v or 11.5 * made.packs) / made.packs
    charge, surface, is_on, floats = 0.95, 0.0, True, False
    shown = np.empty(len(day))
    for n in range(len(day)):
        full_ah = rated * made.capacity(float(day[n]))
        rest = _rest(charge, lithium=lithium)
        net = float(panel[n]) - made.load_a * is_on
        held = 13.6 if floats else 14.1 if lithium else 14.5
        if made.over_from is not None and day[n] >= made.over_from:
            held = max(held, made.over_v)
        if net > 0.0:
            takes = full_ah * (0.2 * min(1.0, (1.0 - charge) / 0.12) + 0.002)
            share = min(net / takes, 1.0)
            volts = rest + (held - rest) * (1.0 - math.exp(-3.0 * share)) / 0.95
            charge = min(charge + 0.9 * min(net, takes) * hours / full_ah, 1.0)
            surface = 0.25
            floats = floats or charge >= 0.99
        else:
            surface *= math.exp(-hours / 1.0)
            floats = False
            volts = rest + (0.1 if lithium else 1.0) * surface - 0.12 * made.load_a
            charge = max(charge + net * hours / full_ah, 0.0)
        if is_on and volts < off_v:
            is_on = False
        elif not is_on and volts >= 12.7:
            is_on = True
        shown[n] = volts if is_on else np.nan
    return shown


def _rest(charge: float, *, lithium: bool) -> float:
    if lithium:
        return 13.0 + 0.3 * charge - 1.6 * math.exp(-30.0 * charge)
    return 11.75 + 1.05 * charge - 1.1 * math.exp(-14.0 * charge)


def _floated(made: Made, at_ms: Ints) -> Floats:
    volts = np.full(len(at_ms), 13.62)
    day = (at_ms - at_ms[0]) / DAY
    if made.over_from is not None:
        volts[day >= made.over_from] = 15.9
    if made.cut is not None:
        gone = np.clip((day - made.cut[0]) * 24.0, 0.0, None)
        charge = 1.0 - gone * made.load_a / (made.supply.capacity_ah or 33.0)
        left = np.array([_rest(max(float(one), 0.0), lithium=False) for one in charge])
        lost = (day >= made.cut[0]) & (day < made.cut[1])
        volts = np.where(lost, left + 0.8 * np.exp(-gone / 0.8), volts)
        volts[lost & (volts < 11.5)] = np.nan
    return volts


# --- through the weighing ------------------------------------------------------------------


@dataclass(frozen=True)
class Shown:
    """A site and its whole past, to be judged at any instant."""

    made: Made
    site: Site
    series: Mapping[str, tuple[Ints, Floats]]
    refused: Mapping[int, int] = field(default_factory=dict)
    quiet: Sequence[tuple[int, int]] = ()  # polls in these spans are not counted

    def at(self, now_ms: int, **moment: object) -> SiteEvidence:
        """Return its evidence at an instant."""
        series = {tag: _until(one, now_ms) for tag, one in self.series.items()}
        at_ms, volts = series["VBAT"]
        missed = np.isnan(volts)
        asked = np.ones(len(at_ms), bool)
        for begin, end in [*_ms_of(self.made), *self.quiet]:
            asked &= ~((at_ms >= begin) & (at_ms < end))
        record = HeldRecord(
            _contact(at_ms[asked], missed[asked], self.refused, now_ms),
            _nights(self.made.where, at_ms, volts, now_ms),
            (),
            _outages(self.made.site_id, at_ms[asked], missed[asked], now_ms),
            series,
        )
        where = self.made.where
        gateway = replace(GATEWAY, latitude=where.latitude, longitude=where.longitude)
        health = weigh(gateway, self.site, record, now_ms, where.tz)
        known = np.flatnonzero(~missed)
        silent = bool(len(missed)) and bool(missed[-3:].all())
        told: dict[str, object] = {
            "status": SiteStatus.COMM_FAIL if silent else SiteStatus.IN_SERVICE,
            "since_ms": int(at_ms[known[-1]]) + STEP if len(known) and silent else 0,
            "supply_v": float(volts[known[-1]]) if len(known) else None,
            "supply_ms": int(at_ms[known[-1]]) if len(known) else None,
        }
        seen = Moment(**{**told, **moment})  # type: ignore[arg-type]
        return SiteEvidence(self.made.site_id, self.site, 1, gateway, now_ms, seen, health)


def shown(made: Made, **points: tuple[Point, Ints, Floats]) -> Shown:
    """Return a site with its supply and whatever other points it has."""
    series = {"VBAT": trace(made)} | {tag: (at, v) for tag, (_, at, v) in points.items()}
    return Shown(made, site_of(made, *(point for point, _, _ in points.values())), series)


def named(sites: Sequence[Shown], day: float, **moment: object) -> list[Diagnosis]:
    """Return what is named of the first site so many days after the first midnight."""
    now_ms = sites[0].made.where.ms(day)
    evidence = [one.at(now_ms, **(moment if n == 0 else {})) for n, one in enumerate(sites)]
    return [one for one in diagnose(evidence) if sites[0].made.site_id in one.site_ids]


def causes(sites: Sequence[Shown], day: float, **moment: object) -> list[str]:
    """Return the keys of the causes named of the first site."""
    return [one.cause for one in named(sites, day, **moment)]


def neighbours(made: Made, count: int = 3) -> list[Shown]:
    """Return sound sites beside one, with other panels, loads and noise."""
    return [
        shown(
            replace(
                made,
                site_id=10 + n,
                supply=replace(made.supply, nominal_v=12.0, disconnect_v=11.5),
                panel_a=made.panel_a * (0.8 + 0.25 * n),
                load_a=0.05 + 0.02 * n,
                cut=None,
                dim=lambda _: 1.0,
                capacity=lambda _: 1.0,
                over_from=None,
                step_v=0.01,
                seed=50 + n,
                gaps=(),
            )
        )
        for n in range(count)
    ]


def text_of(said: Said) -> str:
    """Return words with times as their numbers."""
    return said.text.format(*(str(getattr(one, "ms", one)) for one in said.values))


def _ms_of(made: Made) -> list[tuple[int, int]]:
    return [(made.where.ms(begin), made.where.ms(end)) for begin, end in made.gaps]


def _until(one: tuple[Ints, Floats], now_ms: int) -> tuple[Ints, Floats]:
    end = int(np.searchsorted(one[0], now_ms))
    return one[0][:end], one[1][:end]


def _contact(
    at_ms: Ints, missed: NDArray[np.bool_], refused: Mapping[int, int], now_ms: int
) -> ContactHours | None:
    if not len(at_ms):
        return None
    hour, place = np.unique(at_ms // HOUR, return_inverse=True)
    asked = np.bincount(place)
    lost = np.bincount(place, weights=missed).astype(np.int64)
    cells = np.stack([asked, asked - lost, lost], axis=1)
    spoiled = {at: n for at, n in refused.items() if at < now_ms}
    return ContactHours(hour * HOUR, cells, {}, spoiled)


def _nights(where: Where, at_ms: Ints, volts: Floats, now_ms: int) -> list[Night]:
    if not len(at_ms):
        return []
    first = datetime.fromtimestamp(at_ms[0] / 1000, UTC).astimezone(where.tz).date()
    made = []
    for n in range(1, int((now_ms - at_ms[0]) / DAY) + 2):
        risen = sunrise_ms(first + timedelta(days=n), where.latitude, where.longitude, where.tz)
        if risen <= now_ms:
            inside = slice(*np.searchsorted(at_ms, (risen - DAY, risen)).tolist())
            made.append(night_of(first + timedelta(days=n), risen, at_ms[inside], volts[inside]))
    return made


def _outages(site_id: int, at_ms: Ints, missed: NDArray[np.bool_], now_ms: int) -> list[Outage]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], missed, [False]))))
    found = []
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if end - begin >= 3 and at_ms[begin] >= now_ms - 14 * DAY:
            to_ms = int(at_ms[end]) if end < len(at_ms) else None
            last = int(at_ms[begin - 1]) if begin else None
            found.append(Outage(site_id, int(at_ms[begin]), to_ms, int(end - begin), last))
    return found

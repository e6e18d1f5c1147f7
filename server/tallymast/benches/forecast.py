"""How often a battery's true disconnect lies in the range that was forecast for it.

Sites are drawn at random and their panels cut off, or nearly, in the simulator; each is then
forecast from its nights 14, 7 and 3 days before its load is disconnected there. The forecast
knows what people know: the rated capacity and not the true one, a meter that may be wrong, and
published curves in place of the simulator's own.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta, timezone

import numpy as np
from numpy.random import Generator, default_rng

from tallymast.domain.errors import ConfigError
from tallymast.domain.health.nights import Night, night_of, sunrise_ms
from tallymast.domain.health.supply.dark import Place
from tallymast.domain.health.supply.decline import forecast_now
from tallymast.domain.health.supply.limits import limits_of
from tallymast.domain.health.supply.model import Forecast
from tallymast.domain.health.supply.seen import see
from tallymast.domain.health.supply.verdict import judge_supply
from tallymast.domain.model import (
    Chemistry,
    Point,
    PointKind,
    Site,
    Supply,
    SupplyKind,
    Table,
    WordLayout,
)
from tallymast.simulator.faults import Fault, FaultKind, Faults
from tallymast.simulator.supply import SitePower
from tallymast.simulator.weather import Weather

AHEAD = (14, 7, 3)  # days before the disconnect
_BEFORE = 30  # nights known from before the trouble
_LEAST_NIGHTS = 3  # since it began
_READ_S = 300.0
_DAY_MS = 86_400_000
_CHEMISTRIES = (Chemistry.FLOODED, Chemistry.AGM, Chemistry.GEL)
_PERIODS_S = (10.0, 30.0, 60.0, 120.0, 300.0)
_PANELS_W = (10.0, 20.0, 30.0, 40.0, 60.0, 80.0)


@dataclass(frozen=True, slots=True)
class Case:
    """One site and its trouble, and what its controller truly did.

    Attributes:
        site: as people described it.
        begun_ms: when its panel was cut off.
        dark_ms: when its load was disconnected.
        is_cut: wholly, or only nearly.
        is_worn: whether it holds less than it is rated for.
        step_v: steps of the meter [V].
        nights: of the weeks before and of all since.
        rises_ms: sunrise after each night.
        place: where it stands.

    """

    site: Site
    begun_ms: int
    dark_ms: int
    is_cut: bool
    is_worn: bool
    step_v: float
    nights: tuple[Night, ...]
    rises_ms: tuple[int, ...]
    place: Place


@dataclass(frozen=True, slots=True)
class Made:
    """A forecast held against the truth, both in days from the newest night."""

    case: Case
    ahead: int
    forecast: Forecast | None
    true_days: float
    is_said: bool  # whether the judge would have spoken it

    @property
    def is_inside(self) -> bool:
        """Whether the truth lies in the range; a range without an end has none to miss."""
        made = self.forecast
        if made is None or self.true_days < made.low_days:
            return False
        return made.high_days is None or self.true_days <= made.high_days


def run(seed: int = 1, cases: int = 150) -> dict[str, object]:
    """Draw ``cases`` sites and forecast each.

    Returns:
        ``inside_range``: share of the true disconnects inside the 10 to 90 % range;
        ``median_width_days``; ``median_error_days`` by days ahead, of the median; ``said``: share
        that the judge would have spoken; and the share inside by case in ``inside``.

    Raises:
        ConfigError: no cases.

    """
    if cases < 1:
        raise ConfigError("bench forecast needs at least one case.")
    found: list[Made] = []
    drawn = 0
    for number in range(4 * cases):
        case = draw(seed, number)
        if case is not None:
            drawn += 1
            found.extend(made for ahead in AHEAD if (made := _made(case, ahead)) is not None)
        if drawn == cases:
            break
    return _figures(drawn, found)


def draw(seed: int, number: int) -> Case | None:
    """Return a site and its trouble; None where its load is not disconnected by midsummer."""
    chance = default_rng((seed, number))
    latitude, longitude = chance.uniform(35.0, 55.0), chance.uniform(-120.0, -70.0)
    begun_ms = round(1000 * (_midsummer_s(chance) + 86_400 * chance.uniform(20.0, 310.0)))
    described, true = _sites(chance, latitude, longitude)
    is_cut = bool(chance.random() < 0.6)
    rate = 1.0 if is_cut else chance.uniform(0.75, 0.95)
    trouble = Fault(FaultKind.NO_CHARGE, true.key, None, from_ms=begun_ms, rate=rate)
    weather = Weather(int(chance.integers(1, 2**31)), latitude, longitude)
    power = SitePower(true, weather, int(chance.integers(1, 2**31)), Faults((trouble,)))
    dark_ms = _first_dark_ms(power, begun_ms)
    if dark_ms is None:
        return None
    step_v = float(chance.choice([0.01, 0.1]))
    zone = timezone(timedelta(hours=round(longitude / 15.0)))
    place = Place(latitude, longitude, zone)
    nights, rises = _nights(power, place, begun_ms, dark_ms, step_v, chance)
    rated, held = described.supply, true.supply
    is_worn = bool(rated and held and rated.capacity_ah != held.capacity_ah)
    return Case(described, begun_ms, dark_ms, is_cut, is_worn, step_v, nights, rises, place)


def _midsummer_s(chance: Generator) -> float:
    """Return the first of July of some year: there every course of the simulator begins."""
    return datetime(int(chance.integers(2020, 2030)), 7, 1, tzinfo=UTC).timestamp()


def _sites(chance: Generator, latitude: float, longitude: float) -> tuple[Site, Site]:
    """Return a site as people described it and as it truly is."""
    nominal = float(chance.choice([12.0, 12.0, 24.0]))
    rated = float(np.round(np.exp(chance.uniform(np.log(12.0), np.log(100.0)))))
    chemistry = _CHEMISTRIES[int(chance.integers(len(_CHEMISTRIES)))]
    off = 11.6 if chemistry is Chemistry.GEL else 11.5
    on = 12.6 if chemistry is Chemistry.FLOODED else 12.8
    supply = Supply(
        SupplyKind.SOLAR,
        chemistry,
        nominal,
        rated,
        disconnect_v=off * nominal / 12.0,
        reconnect_v=on * nominal / 12.0,
        panel_w=float(chance.choice(_PANELS_W)),
    )
    described = _site(chance, latitude, longitude, supply)
    kept = chance.uniform(0.6, 1.0) if chance.random() < 0.5 else 1.0
    offset = nominal * chance.uniform(-0.01, 0.01)
    true = replace(supply, capacity_ah=rated * kept, meter_offset_v=offset)
    return described, replace(described, supply=true)


def _site(chance: Generator, latitude: float, longitude: float, supply: Supply) -> Site:
    volts = Point("VBAT", "Supply", PointKind.SUPPLY_VOLTAGE, Table.INPUT, 0, WordLayout.UINT16)
    level = Point(
        "LVL", "Level", PointKind.ANALOG_INPUT, Table.INPUT, 1, WordLayout.UINT16, loop="4-20mA"
    )
    return Site(
        key="drawn",
        name="Drawn",
        gateway="mast",
        unit=1,
        profile="drawn",
        points=(volts, level) if chance.random() < 0.5 else (volts,),
        max_words=20,
        spare=(),
        reply_timeout_s=2.0,
        retries=2,
        turnaround_ms=20.0,
        miss_limit=3,
        poll_every_s=float(chance.choice(_PERIODS_S)),
        latitude=latitude,
        longitude=longitude,
        supply=supply,
    )


def _first_dark_ms(power: SitePower, begun_ms: int) -> int | None:
    """Return when the load is first disconnected; None where that is not due to the trouble."""
    begun = datetime.fromtimestamp(begun_ms / 1000, UTC)
    end = datetime(begun.year + (begun.month >= 7), 6, 29, tzinfo=UTC).timestamp()
    starts = [1000.0 * start for start, _ in power.dark_spans(end)]
    return round(starts[0]) if starts and starts[0] > begun_ms else None


def _nights(
    power: SitePower, place: Place, begun_ms: int, dark_ms: int, step_v: float, chance: Generator
) -> tuple[tuple[Night, ...], tuple[int, ...]]:
    """Return the nights as the station's meter showed them, in a third of the sites with gaps."""
    first = datetime.fromtimestamp(begun_ms / 1000, UTC).date() - timedelta(days=_BEFORE)
    last = datetime.fromtimestamp(dark_ms / 1000, UTC).date()
    at_s = np.arange((begun_ms - (_BEFORE + 2) * _DAY_MS) / 1000, dark_ms / 1000, _READ_S)
    volts = np.round(power.voltage(at_s) / step_v) * step_v
    at_ms = (at_s * 1000).astype(np.int64)
    lost = 0.25 if chance.random() < 1 / 3 else 0.0
    nights, rises = [], []
    for day in _days(first, last):
        risen_ms = sunrise_ms(day, place.latitude or 0.0, place.longitude or 0.0, place.zone)
        if risen_ms < dark_ms and chance.random() >= lost:
            nights.append(night_of(day, risen_ms, at_ms, volts))
            rises.append(risen_ms)
    return tuple(nights), tuple(rises)


def _days(first: date, last: date) -> Iterable[date]:
    return (first + timedelta(days=n) for n in range((last - first).days + 1))


def _made(case: Case, ahead: int) -> Made | None:
    """Return a case's forecast; None where its trouble is too young so long before the end."""
    now_ms = case.dark_ms - ahead * _DAY_MS
    known = [n for n, risen in enumerate(case.rises_ms) if risen <= now_ms]
    since = [n for n in known if case.rises_ms[n] > case.begun_ms]
    supply = case.site.supply
    limits = None if supply is None else limits_of(supply)
    if len(since) < _LEAST_NIGHTS or supply is None or limits is None:
        return None
    nights = [case.nights[n] for n in known]
    seen = see(case.site, supply, nights, case.place, now_ms, None, None)
    made = forecast_now(seen, limits)
    judged = judge_supply(
        case.site,
        nights,
        now_ms=now_ms,
        zone=case.place.zone,
        latitude=case.place.latitude,
        longitude=case.place.longitude,
    )
    at_ms = case.rises_ms[known[-1]] if made is None else made.at_ms
    is_said = judged is not None and judged.forecast is not None
    return Made(case, ahead, made, (case.dark_ms - at_ms) / _DAY_MS, is_said)


# --- figures -------------------------------------------------------------------------------


def _figures(drawn: int, found: Sequence[Made]) -> dict[str, object]:
    made = [one for one in found if one.forecast is not None]
    return {
        "inside_range": _inside(made),
        "median_width_days": _median(
            one.forecast.high_days - one.forecast.low_days
            for one in made
            if one.forecast is not None and one.forecast.high_days is not None
        ),
        "median_error_days": {
            str(ahead): _median(_errors(one for one in made if one.ahead == ahead))
            for ahead in AHEAD
        },
        "sites": drawn,
        "forecasts": len(made),
        "none_made": len(found) - len(made),
        "open_ended": sum(one.forecast is None or one.forecast.high_days is None for one in made),
        "too_late": _share(one.true_days < one.forecast.low_days for one in made if one.forecast),
        "said": _share(one.is_said for one in found),
        "inside": {name: _inside(part) for name, part in _split(made).items()},
    }


def _split(made: Sequence[Made]) -> dict[str, list[Made]]:
    parts: dict[str, list[Made]] = {}
    for one in made:
        supply = one.case.site.supply
        for name in (
            "cut" if one.case.is_cut else "partly",
            "" if supply is None else str(supply.chemistry),
            f"step {one.case.step_v} V",
            f"{one.ahead} days ahead",
            "worn" if one.case.is_worn else "as rated",
            "said" if one.is_said else "not said",
        ):
            parts.setdefault(name, []).append(one)
    return {name: parts[name] for name in sorted(parts)}


def _inside(made: Sequence[Made]) -> float | None:
    return _share(one.is_inside for one in made)


def _errors(made: Iterable[Made]) -> list[float]:
    return [abs(one.true_days - one.forecast.median_days) for one in made if one.forecast]


def _share(marks: Iterable[bool]) -> float | None:
    known = list(marks)
    return round(sum(known) / len(known), 3) if known else None


def _median(values: Iterable[float]) -> float | None:
    known = list(values)
    return round(float(np.median(known)), 2) if known else None

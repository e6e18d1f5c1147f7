"""Reads ordered troubles from a TOML file.

    demo_day = 2026-03-08          # what "D-4 14:20" is counted from; left out: the start's day

    [[fault]]
    kind = "late"                  # see the table below
    site = "upper-weir"            # or gateway = "marrowdun" for every site behind it,
    bearing = [226, 243]           # and with it only the sites between two true bearings
    from = "D-4 14:20"             # the local clock on the demo day less four; or a time with
    to = "+10min"                  # its zone, or counted from the start: -3h10min, +90s
    daily = ["05:00", "07:30"]     # only in these local hours
    rate = 0.05                    # share of exchanges (or of charge) it takes, default 1

Each kind has keys of its own, told in ``KEYS``. Bad input is refused whole, every mistake in
one sentence.
"""

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from difflib import get_close_matches
from typing import Any

from tallymast.domain.errors import ConfigError
from tallymast.domain.model import Gateway, Network, Site
from tallymast.domain.positions import distance_bearing
from tallymast.domain.zones import find_zone
from tallymast.simulator.faults import FOREVER_MS, Fault, FaultKind, Faults

_COMMON = ("kind", "site", "gateway", "bearing", "from", "to", "daily", "rate")
KEYS: Mapping[FaultKind, tuple[str, ...]] = {
    FaultKind.LATE: ("extra_s",),
    FaultKind.SIGNAL: ("db", "grows"),
    FaultKind.REFUSED: ("code",),
    FaultKind.OVERCHARGE: ("volts",),
    FaultKind.WORN_BATTERY: ("capacity_ah", "dark_at"),
    FaultKind.POWER_CUT: ("tag", "count_before", "saved"),
    FaultKind.LOOP: ("tag", "milliamps"),
    FaultKind.STUCK: ("tag",),
    FaultKind.OUTPUT: ("tag",),
}
_NEEDED: Mapping[FaultKind, tuple[str, ...]] = {
    FaultKind.SIGNAL: ("db",),
    FaultKind.OVERCHARGE: ("volts",),
    FaultKind.WORN_BATTERY: ("capacity_ah",),
    FaultKind.LOOP: ("tag", "milliamps"),
    FaultKind.STUCK: ("tag",),
    FaultKind.OUTPUT: ("tag",),
}
_RANGES: Mapping[str, tuple[float, float]] = {
    "rate": (0.0, 1.0),
    "extra_s": (0.0, 3600.0),
    "db": (-80.0, 40.0),
    "code": (1, 11),
    "volts": (0.0, 60.0),
    "milliamps": (0.0, 30.0),
    "count_before": (0, 2**63),
    "saved": (0, 2**63),
}
_UNITS_S = {"s": 1.0, "min": 60.0, "m": 60.0, "h": 3600.0, "d": 86400.0}
_AMOUNT = re.compile(r"(\d+(?:\.\d+)?)(s|min|m|h|d)")
_RELATIVE = re.compile(r"([+-])((?:\d+(?:\.\d+)?(?:s|min|m|h|d))+)")
_DAY = re.compile(r"D(?:([+-])(\d+))? (\d{1,2}):(\d{2})(?::(\d{2}))?")
_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")


def read_faults(text: str, source: str, network: Network, start_ms: int) -> Faults:
    """Return the faults a TOML text orders.

    Args:
        text: the file's text.
        source: its name, for the sentences.
        network: the network whose sites and gateways it may name.
        start_ms: what relative times are counted from [ms since 1970 UTC]; its local day is
            what "D-4" is counted from, unless the file says its own ``demo_day``.

    Raises:
        ConfigError: with every mistake, one a line: ``SOURCE: [fault 2 rate] sentence``.

    """
    try:
        body = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{source}: this is not valid TOML: {error}.") from error
    zone = find_zone(network.time_zone)
    reader = _Reader(source, network, start_ms, zone)
    faults = reader.all(body)
    if reader.mistakes:
        raise ConfigError(reader.mistakes)
    return Faults(faults, zone)


@dataclass(frozen=True, slots=True)
class Moments:
    """Understands times as people write them in the files of a simulation.

    Attributes:
        start_ms: what "-3h10min" is counted from [ms since 1970 UTC].
        zone: whose clock "D-4 14:20" is on.
        day: its day D; None: the start's local day.

    """

    start_ms: int
    zone: tzinfo
    day: date | None = None

    def at_ms(self, value: object) -> int:
        """Return a written time as UTC milliseconds.

        Raises:
            ConfigError: it is none, or has no zone.

        """
        at_ms = self.find_ms(value)
        if at_ms is None:
            raise ConfigError(f'"{value}" is no time.')
        return at_ms

    def find_ms(self, value: object) -> int | None:
        """Return a written time as UTC milliseconds, None if it is none or has no zone."""
        text = value if isinstance(value, str) else ""
        if relative := _RELATIVE.fullmatch(text):
            parts = _AMOUNT.findall(relative[2])
            amount_s = sum(float(number) * _UNITS_S[unit] for number, unit in parts)
            return self.start_ms + round((-1 if relative[1] == "-" else 1) * amount_s * 1000)
        if on_day := _DAY.fullmatch(text):
            return self._on_day_ms(*on_day.groups())
        try:
            at = value if isinstance(value, datetime) else datetime.fromisoformat(str(value))
        except ValueError:
            return None
        return None if at.tzinfo is None else round(at.timestamp() * 1000)

    def _on_day_ms(
        self, sign: str | None, days: str | None, hour: str, minute: str, second: str | None
    ) -> int | None:
        if int(hour) > 23 or int(minute) > 59 or int(second or 0) > 59:
            return None
        day = self.day or datetime.fromtimestamp(self.start_ms / 1000, self.zone).date()
        shift = timedelta(days=int(days or 0) * (-1 if sign == "-" else 1))
        clock = time(int(hour), int(minute), int(second or 0))
        local = datetime.combine(day + shift, clock, self.zone)
        return round(local.astimezone(UTC).timestamp() * 1000)


class _Reader:
    """Collects the mistakes while it reads."""

    def __init__(self, source: str, network: Network, start_ms: int, zone: tzinfo) -> None:
        self.mistakes: list[str] = []
        self._source = source
        self._network = network
        self._sites = {site.key: site for site in network.sites}
        self._gateways = {gateway.key: gateway for gateway in network.gateways}
        self._start_ms = start_ms
        self._zone = zone
        self._day: date | None = None

    def all(self, body: Mapping[str, Any]) -> list[Fault]:
        for key in body:
            if key not in ("fault", "demo_day"):
                self.mistakes.append(
                    f"{self._source}: [{key}] this table is not known; "
                    "every trouble is a [[fault]] table."
                )
        self._find_day(body.get("demo_day"))
        entries = body.get("fault", [])
        if not isinstance(entries, list):
            self.mistakes.append(f"{self._source}: [fault] write [[fault]] with two brackets.")
            return []
        found: list[Fault] = []
        for n, entry in enumerate(entries, start=1):
            self._where = f"fault {n}"
            found += self._one(entry)
        return found

    def _find_day(self, written: object) -> None:
        if type(written) is date:
            self._day = written
            return
        if written is not None:
            self.mistakes.append(
                f"{self._source}: [demo_day] {written!r} is no date; write one like 2026-03-08."
            )

    def _one(self, entry: Mapping[str, Any]) -> list[Fault]:
        kind = self._kind(entry.get("kind"))
        self._keys(kind, entry)
        site, gateway = self._place(kind, entry)
        from_ms = self._time("from", entry.get("from"), -FOREVER_MS)
        to_ms = self._time("to", entry.get("to"), FOREVER_MS)
        if to_ms <= from_ms:
            self._mistake("to", "this end is not after the beginning; write a later time.")
        fault = Fault(
            kind=kind,
            site=site,
            gateway=gateway,
            from_ms=from_ms,
            to_ms=to_ms,
            daily_s=self._daily(entry.get("daily")),
            rate=self._number(entry, "rate", 1.0),
            extra_s=self._number(entry, "extra_s", 0.0),
            db=self._number(entry, "db", 0.0),
            grows=self._grows(entry, from_ms, to_ms),
            code=round(self._number(entry, "code", 2)),
            tag=self._tag(site, entry.get("tag")),
            milliamps=self._number(entry, "milliamps", 0.0),
            volts=self._number(entry, "volts", 0.0),
            capacity_ah=self._capacity(kind, entry, from_ms, to_ms),
            dark_at_s=self._clock("dark_at", entry.get("dark_at")),
            count_before=self._whole(entry, "count_before"),
            saved=self._whole(entry, "saved"),
        )
        if kind is FaultKind.LATE and fault.extra_s == 0.0:
            self._mistake("extra_s", "a late answer needs extra_s, how many seconds too late.")
        return self._spread(fault, entry.get("bearing"))

    # --- who

    def _kind(self, value: object) -> FaultKind:
        try:
            return FaultKind(str(value))
        except ValueError:
            kinds = ", ".join(FaultKind)
            said = "a kind is missing" if value is None else f'"{value}" is no kind of fault'
            self._mistake("kind", f"{said}; write one of {kinds}.")
            return FaultKind.DEAD

    def _keys(self, kind: FaultKind, entry: Mapping[str, Any]) -> None:
        known = _COMMON + KEYS.get(kind, ())
        for key in entry:
            if key not in known:
                self._mistake(key, f"{kind} does not take this key; {_nearest(key, known)}.")
        for key in _NEEDED.get(kind, ()):
            if key not in entry:
                self._mistake(key, f"{kind} needs this key.")

    def _place(self, kind: FaultKind, entry: Mapping[str, Any]) -> tuple[str | None, str | None]:
        site, gateway = entry.get("site"), entry.get("gateway")
        if kind is FaultKind.GATEWAY_DOWN and (gateway is None or site is not None):
            self._mistake("gateway", "gateway-down names a gateway and no site.")
        elif (site is None) == (gateway is None):
            self._mistake("site", "name either one site or one gateway.")
        self._known("site", site, self._sites)
        self._known("gateway", gateway, self._gateways)
        return (None if site is None else str(site), None if gateway is None else str(gateway))

    def _known(self, key: str, value: object, known: Mapping[str, object]) -> None:
        if value is not None and value not in known:
            near = _nearest(str(value), sorted(known))
            self._mistake(key, f'no {key} has the key "{value}" in this network; {near}.')

    def _tag(self, key: str | None, tag: object) -> str:
        site = self._sites.get(key or "")
        if tag is None or site is None:
            return ""
        tags = [point.tag for point in site.points]
        if tag not in tags:
            self._mistake("tag", f'{site.name} has no point "{tag}"; {_nearest(str(tag), tags)}.')
        return str(tag)

    def _spread(self, fault: Fault, bearing: object) -> list[Fault]:
        """Return the fault, or one for each site of its gateway between two bearings."""
        if bearing is None:
            return [fault]
        gateway = self._gateways.get(fault.gateway or "")
        sector = _two_numbers(bearing, 0.0, 360.0)
        if gateway is None or sector is None:
            self._mistake("bearing", "write a gateway, and two true bearings like [226, 243].")
            return []
        return [
            _at(fault, site.key)
            for site in self._network.sites
            if site.gateway == gateway.key and _lies_between(gateway, site, sector)
        ]

    # --- when

    def _time(self, key: str, value: object, default: int) -> int:
        if value is None:
            return default
        at_ms = Moments(self._start_ms, self._zone, self._day).find_ms(value)
        if at_ms is None:
            self._mistake(
                key,
                f'"{value}" is no time; write one with its zone (2026-03-08T07:00:00Z), one on '
                'the demo\'s clock ("D-4 14:20"), or one counted from the start ("+30s", '
                '"-3h10min").',
            )
            return default
        return at_ms

    def _daily(self, value: object) -> tuple[int, int] | None:
        if value is None:
            return None
        if not isinstance(value, list) or len(value) != 2:
            self._mistake("daily", 'write two local clock times, like ["05:00", "07:30"].')
            return None
        first, last = (self._clock("daily", one) for one in value)
        return None if first is None or last is None else (first, last)

    def _clock(self, key: str, value: object) -> int | None:
        if value is None:
            return None
        match = _CLOCK.fullmatch(str(value))
        if match is None:
            self._mistake(key, f'"{value}" is no clock time; write one like "05:00".')
            return None
        return int(match[1]) * 3600 + int(match[2]) * 60

    # --- how much

    def _number(self, entry: Mapping[str, Any], key: str, default: float) -> float:
        value = entry.get(key, default)
        low, high = _RANGES[key]
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if not is_number or not low <= value <= high:
            self._mistake(key, f"{value} is outside {low:g} to {high:g}.")
            return default
        return float(value)

    def _whole(self, entry: Mapping[str, Any], key: str) -> int | None:
        return round(self._number(entry, key, 0.0)) if key in entry else None

    def _grows(self, entry: Mapping[str, Any], from_ms: int, to_ms: int) -> bool:
        grows = entry.get("grows", False)
        if grows is True and not _is_bounded(from_ms, to_ms):
            self._mistake("grows", "what grows needs both from and to.")
        if not isinstance(grows, bool):
            self._mistake("grows", "write true or false.")
        return grows is True

    def _capacity(
        self, kind: FaultKind, entry: Mapping[str, Any], from_ms: int, to_ms: int
    ) -> tuple[float, float]:
        value = entry.get("capacity_ah")
        if kind is not FaultKind.WORN_BATTERY or value is None:
            return (0.0, 0.0)
        pair = _two_numbers(value, 0.05, 5000.0)
        if pair is None:
            self._mistake("capacity_ah", "write two capacities in Ah, like [33, 8].")
        if not _is_bounded(from_ms, to_ms):
            self._mistake("capacity_ah", "a battery wears over a span: write from and to.")
        return pair or (0.0, 0.0)

    def _mistake(self, key: str, sentence: str) -> None:
        self.mistakes.append(f"{self._source}: [{self._where} {key}] {sentence}")


def _is_bounded(from_ms: int, to_ms: int) -> bool:
    return from_ms > -FOREVER_MS and to_ms < FOREVER_MS


def _at(fault: Fault, key: str) -> Fault:
    return replace(fault, site=key, gateway=None)


def _lies_between(gateway: Gateway, site: Site, sector: tuple[float, float]) -> bool:
    ends = (gateway.latitude, gateway.longitude, site.latitude, site.longitude)
    if None in ends:
        return False
    bearing = distance_bearing(*(float(end or 0.0) for end in ends)).bearing_deg
    first, last = sector
    return first <= bearing <= last if first <= last else bearing >= first or bearing <= last


def _two_numbers(value: object, low: float, high: float) -> tuple[float, float] | None:
    if not isinstance(value, list) or len(value) != 2:
        return None
    for one in value:
        if isinstance(one, bool) or not isinstance(one, int | float) or not low <= one <= high:
            return None
    return float(value[0]), float(value[1])


def _nearest(word: str, known: Iterable[str]) -> str:
    near = get_close_matches(word, list(known), n=1, cutoff=0.5)
    return f'did you mean "{near[0]}"' if near else "look at the network file"

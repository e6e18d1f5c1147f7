"""Troubles a person orders for the simulated network, read from a TOML file.

    [[fault]]
    kind = "late"              # dead | late | noise | lost | gateway-down
    site = "upper-weir"        # or gateway = "marrowdun" for every site behind it
    from = "+30s"              # a time with its zone, or relative to the start: -2h, +90s
    to = "+10min"              # left out: it lasts
    rate = 0.05                # share of the exchanges hit, default 1
    extra_s = 3.0              # late only: how much later than it should

Bad input is refused whole, every mistake in one sentence.
"""

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from difflib import get_close_matches
from enum import StrEnum

import numpy as np

from tallymast.domain.errors import ConfigError
from tallymast.domain.model import Network, Site
from tallymast.simulator.chance import Floats, Ints

FOREVER_MS = 2**62
_KEYS = ("kind", "site", "gateway", "from", "to", "rate", "extra_s")
_UNITS_S = {"s": 1.0, "min": 60.0, "m": 60.0, "h": 3600.0, "d": 86400.0}
_RELATIVE = re.compile(r"([+-])(\d+(?:\.\d+)?)(s|min|m|h|d)")


class FaultKind(StrEnum):
    """What goes wrong."""

    DEAD = "dead"  # the station is silent
    LATE = "late"  # the answer comes extra_s too late
    NOISE = "noise"  # the answer is garbled on its way
    LOST = "lost"  # the exchange gets lost
    GATEWAY_DOWN = "gateway-down"  # the gateway refuses connections


@dataclass(frozen=True, slots=True)
class Fault:
    """One trouble: from ≤ t < to, UTC milliseconds; at a site, or at all of a gateway."""

    kind: FaultKind
    site: str | None
    gateway: str | None
    from_ms: int = -FOREVER_MS
    to_ms: int = FOREVER_MS
    rate: float = 1.0
    extra_s: float = 0.0


class Faults:
    """All ordered troubles, to be asked for an instant or for many."""

    def __init__(self, faults: Iterable[Fault] = ()) -> None:
        self._faults = tuple(faults)

    def rate(self, kind: FaultKind, site: Site, at_ms: Ints) -> Floats:
        """Return the share of exchanges a kind of trouble hits at a site, at each instant."""
        rate = np.zeros(len(at_ms))
        for fault in self._at_site(kind, site):
            rate = np.maximum(rate, fault.rate * _during(fault, at_ms))
        return rate

    def extra_s(self, site: Site, at_ms: Ints) -> Floats:
        """Return how much too late an answer hit by a late fault is [s]."""
        extra = np.zeros(len(at_ms))
        for fault in self._at_site(FaultKind.LATE, site):
            extra = np.maximum(extra, fault.extra_s * _during(fault, at_ms))
        return extra

    def is_down(self, gateway: str, at_ms: Ints) -> np.ndarray:
        """Return whether a gateway refuses connections at each instant."""
        down = np.zeros(len(at_ms), dtype=bool)
        for fault in self._faults:
            if fault.kind is FaultKind.GATEWAY_DOWN and fault.gateway == gateway:
                down |= _during(fault, at_ms)
        return down

    def _at_site(self, kind: FaultKind, site: Site) -> Iterable[Fault]:
        for fault in self._faults:
            here = fault.site == site.key if fault.site else fault.gateway == site.gateway
            if fault.kind is kind and here:
                yield fault


def _during(fault: Fault, at_ms: Ints) -> np.ndarray:
    return np.asarray((at_ms >= fault.from_ms) & (at_ms < fault.to_ms))


def read_faults(text: str, source: str, network: Network, start_ms: int) -> Faults:
    """Return the faults a TOML text orders.

    Args:
        text: the file's text.
        source: its name, for the sentences.
        network: the network whose sites and gateways it may name.
        start_ms: what relative times are counted from [ms since 1970 UTC].

    Raises:
        ConfigError: with every mistake, one a line: ``SOURCE: [fault 2 rate] sentence``.

    """
    try:
        body = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{source}: this is not valid TOML: {error}.") from error
    reader = _Reader(source, network, start_ms)
    faults = reader.all(body)
    if reader.mistakes:
        raise ConfigError(reader.mistakes)
    return Faults(faults)


class _Reader:
    """Collects the mistakes while it reads."""

    def __init__(self, source: str, network: Network, start_ms: int) -> None:
        self.mistakes: list[str] = []
        self._source = source
        self._sites = {site.key for site in network.sites}
        self._gateways = {gateway.key for gateway in network.gateways}
        self._start_ms = start_ms

    def all(self, body: Mapping[str, object]) -> list[Fault]:
        for key in body:
            if key != "fault":
                self.mistakes.append(
                    f"{self._source}: [{key}] this table is not known; "
                    "every trouble is a [[fault]] table."
                )
        entries = body.get("fault", [])
        if not isinstance(entries, list):
            self.mistakes.append(f"{self._source}: [fault] write [[fault]] with two brackets.")
            return []
        return [self._one(n, entry) for n, entry in enumerate(entries, start=1)]

    def _one(self, n: int, entry: Mapping[str, object]) -> Fault:
        self._where = f"fault {n}"
        for key in entry:
            if key not in _KEYS:
                self._mistake(key, f"this key is not known; {_nearest(key, _KEYS)}.")
        kind = self._kind(entry.get("kind"))
        site, gateway = self._place(kind, entry)
        from_ms = self._time("from", entry.get("from"), -FOREVER_MS)
        to_ms = self._time("to", entry.get("to"), FOREVER_MS)
        if to_ms <= from_ms:
            self._mistake("to", "this end is not after the beginning; write a later time.")
        rate = self._number("rate", entry.get("rate", 1.0), 1.0)
        extra_s = self._number("extra_s", entry.get("extra_s", 0.0), 3600.0)
        if kind is FaultKind.LATE and extra_s == 0.0:
            self._mistake("extra_s", "a late answer needs extra_s, how many seconds too late.")
        return Fault(kind, site, gateway, from_ms, to_ms, rate, extra_s)

    def _kind(self, value: object) -> FaultKind:
        try:
            return FaultKind(str(value))
        except ValueError:
            kinds = ", ".join(FaultKind)
            said = "a kind is missing" if value is None else f'"{value}" is no kind of fault'
            self._mistake("kind", f"{said}; write one of {kinds}.")
            return FaultKind.DEAD

    def _place(self, kind: FaultKind, entry: Mapping[str, object]) -> tuple[str | None, str | None]:
        site, gateway = entry.get("site"), entry.get("gateway")
        if kind is FaultKind.GATEWAY_DOWN and (gateway is None or site is not None):
            self._mistake("gateway", "gateway-down names a gateway and no site.")
        elif (site is None) == (gateway is None):
            self._mistake("site", "name either one site or one gateway.")
        self._known("site", site, self._sites)
        self._known("gateway", gateway, self._gateways)
        return (None if site is None else str(site), None if gateway is None else str(gateway))

    def _known(self, key: str, value: object, keys: set[str]) -> None:
        if value is not None and value not in keys:
            near = _nearest(str(value), sorted(keys))
            self._mistake(key, f'no {key} has the key "{value}" in this network; {near}.')

    def _time(self, key: str, value: object, default: int) -> int:
        if value is None:
            return default
        at_ms = _instant_ms(value, self._start_ms)
        if at_ms is None:
            self._mistake(
                key,
                f'"{value}" is no time; write one with its zone (2026-03-08T07:00:00Z) '
                'or relative to the start ("+30s", "-2h").',
            )
            return default
        return at_ms

    def _number(self, key: str, value: object, most: float) -> float:
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        number = float(value) if is_number else float("nan")  # type: ignore[arg-type]
        if not 0.0 <= number <= most:
            self._mistake(key, f"{value} is outside 0 to {most:g}.")
            return 0.0
        return number

    def _mistake(self, key: str, sentence: str) -> None:
        self.mistakes.append(f"{self._source}: [{self._where} {key}] {sentence}")


def _instant_ms(value: object, start_ms: int) -> int | None:
    """Return a written time as UTC milliseconds, None if it is none or has no zone."""
    match = _RELATIVE.fullmatch(value) if isinstance(value, str) else None
    if match:
        sign, amount, unit = match.groups()
        return start_ms + round(float(sign + amount) * _UNITS_S[unit] * 1000)
    try:
        at = value if isinstance(value, datetime) else datetime.fromisoformat(str(value))
    except ValueError:
        return None
    return None if at.tzinfo is None else round(at.timestamp() * 1000)


def _nearest(word: str, known: Iterable[str]) -> str:
    near = get_close_matches(word, list(known), n=1, cutoff=0.5)
    return f'did you mean "{near[0]}"?'.rstrip("?") if near else "look at the network file"

"""Troubles ordered for the simulated network: what they are, when and where they hold.

Every question is asked for many instants at once and answered the same whenever it is asked.
How a person writes them down is in fault_file.py.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from enum import StrEnum

import numpy as np

from tallymast.domain.model import Site
from tallymast.simulator.chance import Floats, Ints

FOREVER_MS = 2**62
_HOUR_MS = 3_600_000
_DAY_S = 86_400


class FaultKind(StrEnum):
    """What goes wrong; which keys a kind takes is in fault_file.py."""

    DEAD = "dead"  # the station is silent
    LATE = "late"  # the answer comes extra_s too late
    NOISE = "noise"  # the answer is garbled on its way
    LOST = "lost"  # the exchange gets lost
    GATEWAY_DOWN = "gateway-down"  # the gateway refuses connections
    INTERFERENCE = "interference"  # another transmitter disturbs a share of short stretches
    SIGNAL = "signal"  # the signal changes by db: at once, or growing over the span
    SHARED_ADDRESS = "shared-address"  # a second station answers to the same unit address
    REFUSED = "refused"  # the station refuses what it is asked, with an exception code
    NO_CHARGE = "no-charge"  # a panel's cable is cut, or a charger has lost its mains
    OVERCHARGE = "overcharge"  # the controller holds the battery at a wrong voltage
    WORN_BATTERY = "worn-battery"  # the capacity falls over the span and stays
    POWER_CUT = "power-cut"  # the station has no power, and restarts after it
    LOOP = "loop"  # a current loop carries a wrong current
    STUCK = "stuck"  # a point shows what it showed when it began
    OUTPUT = "output"  # somebody holds an output on, outside of these spans it is off
    SELECTOR = "selector"  # a pump's selector is not in auto: its contact says so, and it stands
    ABSENT = "absent"  # nothing is asked: not built yet, or out of season


@dataclass(frozen=True, slots=True)
class Fault:
    """One trouble: from ≤ t < to, UTC milliseconds; at a site, or at all of a gateway.

    Attributes:
        daily_s: only between these two seconds of each local day.
        rate: share of exchanges, stretches or charge it takes.
        extra_s: how much too late an answer is.
        db: change of the signal.
        grows: the change grows from nothing over the span, and stays.
        code: exception code.
        tag: of the point.
        milliamps: in the loop.
        volts: where the controller holds the battery.
        capacity_ah: at the beginning and at the end of the span.
        dark_at_s: the last capacity is such that a night's load empties it at this second of
            the local day.
        count_before: what the totalizer ``tag`` showed when the power went.
        saved: what every totalizer begins with again after a power cut; None: it forgets nothing.

    """

    kind: FaultKind
    site: str | None
    gateway: str | None
    from_ms: int = -FOREVER_MS
    to_ms: int = FOREVER_MS
    daily_s: tuple[int, int] | None = None
    rate: float = 1.0
    extra_s: float = 0.0
    db: float = 0.0
    grows: bool = False
    code: int = 2
    tag: str = ""
    milliamps: float = 0.0
    volts: float = 0.0
    capacity_ah: tuple[float, float] = (0.0, 0.0)
    dark_at_s: int | None = None
    count_before: int | None = None
    saved: int | None = None

    def is_at(self, site: Site) -> bool:
        """Whether it concerns a site."""
        return self.site == site.key if self.site else self.gateway == site.gateway


class Faults:
    """All ordered troubles, to be asked for one instant or for many.

    Args:
        faults: the troubles.
        zone: whose clock their daily hours follow.

    """

    def __init__(self, faults: Iterable[Fault] = (), zone: tzinfo = UTC) -> None:
        self._faults = tuple(faults)
        self.zone = zone

    def __iter__(self) -> Iterator[Fault]:
        return iter(self._faults)

    def of(self, kind: FaultKind, site: Site) -> tuple[Fault, ...]:
        """Return a site's troubles of one kind, in the order they were written."""
        return tuple(one for one in self._faults if one.kind is kind and one.is_at(site))

    def rate(self, kind: FaultKind, site: Site, at_ms: Ints) -> Floats:
        """Return the share a kind of trouble takes at a site, at each instant."""
        rate = np.zeros(len(at_ms))
        for fault in self.of(kind, site):
            rate = np.maximum(rate, fault.rate * self.during(fault, at_ms))
        return rate

    def holds(self, kind: FaultKind, site: Site, at_ms: Ints) -> np.ndarray:
        """Return whether a kind of trouble holds at a site, at each instant."""
        return self.rate(kind, site, at_ms) > 0.0

    def extra_s(self, site: Site, at_ms: Ints) -> Floats:
        """Return how much too late an answer hit by a late fault is [s]."""
        extra = np.zeros(len(at_ms))
        for fault in self.of(FaultKind.LATE, site):
            extra = np.maximum(extra, fault.extra_s * self.during(fault, at_ms))
        return extra

    def db(self, site: Site, at_ms: Ints) -> Floats:
        """Return by how much troubles change the signal at a site [dB]."""
        change = np.zeros(len(at_ms))
        for fault in self.of(FaultKind.SIGNAL, site):
            if fault.grows:
                change += fault.db * grown(fault, at_ms)
            else:
                change += fault.db * self.during(fault, at_ms)
        return change

    def is_down(self, gateway: str, at_ms: Ints) -> np.ndarray:
        """Return whether a gateway refuses connections at each instant."""
        down = np.zeros(len(at_ms), dtype=bool)
        for fault in self._faults:
            if fault.kind is FaultKind.GATEWAY_DOWN and fault.gateway == gateway:
                down |= self.during(fault, at_ms)
        return down

    def during(self, fault: Fault, at_ms: Ints) -> np.ndarray:
        """Return whether a trouble holds at each instant, its daily hours included."""
        inside = np.asarray((at_ms >= fault.from_ms) & (at_ms < fault.to_ms))
        if fault.daily_s is None or not inside.any():
            return inside
        first, last = fault.daily_s
        second = self.local_s(at_ms)
        if first <= last:
            return inside & (second >= first) & (second < last)
        return inside & ((second >= first) | (second < last))

    def local_s(self, at_ms: Ints) -> Ints:
        """Return the second of the local day at each instant."""
        hours, place = np.unique(at_ms // _HOUR_MS, return_inverse=True)
        offset_s = np.array([self._offset_s(int(hour) * 3600) for hour in hours], dtype=np.int64)
        return np.asarray((at_ms // 1000 + offset_s[place.reshape(-1)]) % _DAY_S)

    def _offset_s(self, at_s: int) -> int:
        offset = datetime.fromtimestamp(at_s, UTC).astimezone(self.zone).utcoffset()
        return 0 if offset is None else round(offset.total_seconds())


def grown(fault: Fault, at_ms: Ints) -> Floats:
    """Return how far a growing trouble has come at each instant: 0 before, 1 after its span."""
    span = fault.to_ms - fault.from_ms
    return np.asarray(np.clip((at_ms - fault.from_ms) / span, 0.0, 1.0))

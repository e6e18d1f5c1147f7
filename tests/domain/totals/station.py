"""A pulse counter in a station that may lose its power, and polls of it that may be lost.

The truth is kept beside: pulses that really came, whatever the station counted.
"""

from dataclasses import dataclass, field
from random import Random

import numpy as np

from tallymast.domain.totals.model import Readings, Starts

NOT_READ = -1  # this poll did not bring the restart counter


@dataclass
class Station:
    """Pulses at ``rate`` a second, which changes by itself; never more than ``max_rate``."""

    modulus: int
    max_rate: float
    lot: Random
    forgets: str = "nothing"  # nothing, all, or some: what a power cut does to the register
    both_ways: bool = False
    off: bool = False
    register: int = 0
    saved: int = 0
    restarts: int = 3
    volume: float = 0.5
    trail: list[tuple[int, int]] = field(default_factory=list)  # when, pulses that really came

    def go_on(self, at_ms: int, span_ms: int) -> None:
        low = -self.max_rate if self.both_ways else 0.0
        flow = self.lot.choice((0.0, low, self.max_rate, self.lot.uniform(low, self.max_rate)))
        before = int(np.floor(self.volume))
        self.volume += flow * span_ms / 1000
        came = int(np.floor(self.volume)) - before
        if not self.off:
            self.register = (self.register + came) % self.modulus
        self.trail.append((at_ms + span_ms, int(np.floor(self.volume))))

    def cut(self) -> None:
        self.off = True

    def restart(self) -> None:
        self.off = False
        self.restarts += 1
        if self.forgets == "all":
            self.register = 0
        elif self.forgets == "some":
            self.register = self.saved

    def save(self) -> None:
        self.saved = self.register


def readings(rows: list[tuple[int, int, int]], modulus: int | None = None) -> Readings:
    """Rows of instant, count and restart counter as readings."""
    at, count, restarts = (np.array(column, np.int64) for column in zip(*rows, strict=True))
    read = restarts != NOT_READ
    starts = Starts(at[read], restarts[read], modulus)
    return Readings(at, count, starts, np.zeros(len(at), np.bool_))


@dataclass
class Told:
    """What was polled, and what really came by then."""

    rows: list[tuple[int, int, int]]
    truth: list[int]
    modulus: int | None = None  # of the restart counter

    @property
    def readings(self) -> Readings:
        return readings(self.rows, self.modulus)


def told(station: Station, polls: int, every_ms: int, lost: float, cuts: float, begin: int) -> Told:
    """Poll a station ``polls`` times; ``lost`` and ``cuts`` are shares of polls at which runs
    of missed polls, or of no power, begin; each lasts some polls."""
    lot, found = station.lot, Told([], [])
    silent = dark = 0
    for n in range(polls):
        at = begin + n * every_ms
        if n:
            if not station.off and lot.random() < cuts:
                station.go_on(at - every_ms, every_ms // 2)
                station.cut()
                station.go_on(at - every_ms // 2, every_ms // 2)
                dark = lot.randrange(0, 9)
            else:
                station.go_on(at - every_ms, every_ms)
        if station.off:
            if dark == 0:
                station.restart()
            else:
                dark -= 1
                continue
        if lot.random() < lost:
            silent = lot.randrange(1, 40)
        if silent:
            silent -= 1
            continue
        if lot.random() < 0.1:
            station.save()
        found.rows.append((at, station.register, station.restarts))
        found.truth.append(int(np.floor(station.volume)))
    return found


def without_counter(one: Told) -> Told:
    """The same, of a station that reports no restarts."""
    return Told([(at, count, NOT_READ) for at, count, _ in one.rows], one.truth)


def seldom(one: Told, nth: int, every_ms: int, modulus: int) -> Told:
    """The same, of a station whose restart counter, of some modulus, is asked every nth poll."""
    rows = [
        (at, count, restarts % modulus if at // every_ms % nth == 0 else NOT_READ)
        for at, count, restarts in one.rows
    ]
    return Told(rows, one.truth, modulus)

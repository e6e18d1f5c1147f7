"""The outputs of one station: what was written, how long it holds, what it falls back to.

A station that has heard nothing for an output's ``fail_safe.after_s`` puts that output to its
fail-safe state by itself. A pulse output counts its on-time down and ends alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tallymast.domain.model import Point, PointKind, Site, Table
from tallymast.simulator.chance import Floats
from tallymast.simulator.words import Words, raw_numbers, words_of


@dataclass(frozen=True, slots=True)
class _Held:
    """What an output was last told: registers or one bit, and when [s since 1970 UTC]."""

    values: tuple[int, ...]
    at_s: float


class Outputs:
    """What has been written to one station's outputs, and what is left of it."""

    def __init__(self, site: Site) -> None:
        self._points = [point for point in site.points if point.write is not None]
        self._held: dict[str, _Held] = {}
        self._ran_s: dict[str, float] = {}  # of pulses that ended or were replaced
        self._heard_s: float | None = None

    def heard(self, at_s: float) -> None:
        """Note a request; outputs whose fail-safe time ran out before it have fallen back."""
        for point in self._points:
            self._fall_back(point, at_s)
        self._heard_s = at_s

    def write(self, table: Table, start: int, values: Sequence[int], at_s: float) -> bool:
        """Write consecutive addresses; return False (and write nothing) if one is no output."""
        covered: set[int] = set()
        taken: list[tuple[Point, _Held]] = []
        for point in self._points:
            places = _places(point, table)
            if places and set(places) <= set(range(start, start + len(values))):
                part = values[places[0] - start : places[-1] + 1 - start]
                taken.append((point, _Held(tuple(part), at_s)))
                covered.update(places)
        if covered != set(range(start, start + len(values))):
            return False
        for point, held in taken:
            self._ran_s[point.tag] = self.ran_s(point, at_s)
            self._held[point.tag] = held
        return True

    def words(self, point: Point, at_s: float) -> Words | None:
        """Return what reading an output gives, None for one that was never written."""
        held = self._held.get(point.tag)
        if held is None or point.write is None:
            return None
        if point.kind is PointKind.PULSE_OUTPUT:
            return words_of(point, np.array([float(self._counts_left(point, held, at_s))]))
        if point.table.holds_bits or point.bit is not None or len(held.values) != point.length:
            return words_of(point, np.array([float(held.values[0] != 0)]))
        return np.array([held.values], dtype=np.uint16)

    def is_known(self, tag: str) -> bool:
        """Whether an output was written, or fell back, since the station was first heard."""
        return tag in self._held

    def ran_s(self, point: Point, at_s: float) -> float:
        """Return how long a pulse output has run by ``at_s``, all its pulses together [s]."""
        before, held = self._ran_s.get(point.tag, 0.0), self._held.get(point.tag)
        if held is None or point.kind is not PointKind.PULSE_OUTPUT:
            return before
        asked_s = held.values[-1] * (point.seconds_per_count or 1.0)
        return before + min(max(at_s - held.at_s, 0.0), asked_s)

    def is_on(self, tag: str, at_s: float) -> bool:
        """Whether an output was told to be on and still is."""
        held = self._held.get(tag)
        point = next((point for point in self._points if point.tag == tag), None)
        if held is None or point is None:
            return False
        if point.kind is PointKind.PULSE_OUTPUT:
            return self._counts_left(point, held, at_s) > 0
        return any(held.values)

    @staticmethod
    def _counts_left(point: Point, held: _Held, at_s: float) -> int:
        passed = (at_s - held.at_s) / (point.seconds_per_count or 1.0)
        return max(0, held.values[-1] - int(passed))

    def _fall_back(self, point: Point, at_s: float) -> None:
        rule = point.fail_safe
        if rule is None or rule.state == "hold" or self._heard_s is None:
            return
        if at_s - self._heard_s <= rule.after_s:
            return
        if point.kind is PointKind.PULSE_OUTPUT:
            self._held.pop(point.tag, None)
        else:
            value = float(rule.state == "on")
            self._held[point.tag] = _Held(_as_written(point, value), self._heard_s + rule.after_s)


def _places(point: Point, table: Table) -> list[int]:
    """Return the addresses a write to this output covers in ``table``, none if it has none."""
    target = point.write
    if target is None or target.table is not table:
        return []
    length = 1 if target.table.holds_bits or point.bit is not None else point.length
    return list(range(target.register, target.register + length))


def _as_written(point: Point, value: float) -> tuple[int, ...]:
    if point.write is not None and point.write.table.holds_bits:
        return (int(value),)
    raw: Floats = raw_numbers(point, np.array([value]))
    return tuple(int(word) for word in words_of(point, raw)[0])

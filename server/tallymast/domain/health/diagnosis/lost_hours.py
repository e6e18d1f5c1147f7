"""Polls by the hours of the local days, and what is counted of them.

A loss is the polls of some of those hours against the same hours before it began.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.comms.baselines import log_likelihood
from tallymast.domain.health.comms.model import Outage
from tallymast.domain.health.comms.outages import silent_spans
from tallymast.domain.health.record import ContactHours
from tallymast.domain.local_times import offsets_ms
from tallymast.domain.record.rollups import HOUR_MS

DAY_H: Final = 24
LIKE: Final = 0.4  # ours: so much of the rise makes a stretch or a day one of the bad ones

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Loss:
    """Polls lost that were not lost before; late are those without an answer at the first try.

    Attributes:
        since_ms: since when.
        hours: of the local day, first and last minute; None: at all hours.
        lasts_h: from its beginning to the last bad hour.
        days: on how many days it came.
        late: polls late in those hours since then.
        asked: polls asked.
        missed: of those, without any answer.
        before_late: of the same hours before.
        before_asked: likewise.
        before_missed: likewise.
        evidence: logarithm of the odds against the usual scatter, less nothing for trying.
        again: the same without the worst day: what one storm did once does not count.
        signal_db: by how much the signal of those hours differs from before, None: not known.

    """

    since_ms: int
    hours: tuple[int, int] | None
    lasts_h: int
    days: int
    late: int
    asked: int
    missed: int
    before_late: int
    before_asked: int
    before_missed: int
    evidence: float
    again: float = 0.0
    signal_db: float | None = None

    @property
    def rise(self) -> float:
        """By how much the share that is late has risen."""
        return self.late / self.asked - self.before_late / max(self.before_asked, 1)

    def lost_whole(self) -> float | None:
        """Return the share of what is late beyond the usual that no retry delivered."""
        late = self.late - self.before_late / max(self.before_asked, 1) * self.asked
        missed = self.missed - self.before_missed / max(self.before_asked, 1) * self.asked
        return max(missed, 0.0) / late if late > 0 else None


@dataclass(frozen=True, slots=True)
class HourGrid:
    """Whole local days of 24 hours in a row: late, asked, missed, and when each hour begins."""

    late: Floats
    asked: Floats
    missed: Floats
    begins_ms: Ints
    minute: int  # of the local hour at which a clock hour begins
    whole: int  # hours from the begin on that are over
    moved_ms: int  # how far the local clock was moved meanwhile

    @staticmethod
    def of(
        hours: tuple[Ints, Ints], now_ms: int, zone: tzinfo, *, by_sun: bool = False
    ) -> "HourGrid | None":
        """Return hours by the local clock, or by one that is never moved."""
        at_ms, cells = hours
        if not len(at_ms):
            return None
        offsets = offsets_ms(at_ms, zone)
        if by_sun:
            offsets = np.full_like(offsets, offsets[-1])
        # Where a clock is moved by half an hour, hours before and after do not compare.
        alike = (offsets - offsets[-1]) % HOUR_MS == 0
        at_ms, cells, offsets = at_ms[alike], cells[alike].astype(np.float64), offsets[alike]
        local = (at_ms + offsets) // 60_000
        place = local // 60
        first = int(place[0]) // DAY_H * DAY_H
        now_local = (now_ms + int(offsets_ms(np.array([now_ms]), zone)[0])) // (60 * 60_000)
        size = (max(now_local, int(place[-1])) // DAY_H + 1) * DAY_H - first
        rows = np.zeros((3, size))
        begins = np.zeros(size, np.int64)
        place = place - first
        np.add.at(rows[0], place, cells[:, 0] - cells[:, 1])
        np.add.at(rows[1], place, cells[:, 0])
        np.add.at(rows[2], place, cells[:, 2])
        begins[place] = at_ms
        minute = int(local[-1] % 60)
        moved = int(offsets.max() - offsets.min())
        return HourGrid(rows[0], rows[1], rows[2], begins, minute, now_local - first, moved)

    @property
    def days(self) -> int:
        """How many local days."""
        return len(self.late) // DAY_H


def heard_hours(contact: ContactHours, outages: Sequence[Outage], now_ms: int) -> tuple[Ints, Ints]:
    """Return the hours that are over, without those of outages, and their polls."""
    used = (contact.cells[:, 0] > contact.cells[:, 2]) & (contact.at_ms + HOUR_MS <= now_ms)
    used &= ~_touched(contact.at_ms, outages, now_ms)
    return contact.at_ms[used], contact.cells[used]


def counted_in(grid: HourGrid, inside: NDArray[np.bool_], before: NDArray[np.bool_]) -> Loss:
    """Return a loss with what is counted of its hours, of those before, and its evidence."""
    rows = (grid.late, grid.asked, grid.missed)
    late, asked, missed = (int(row[inside].sum()) for row in rows)
    was_late, was_asked, was_missed = (int(row[before].sum()) for row in rows)
    if not asked or late * was_asked <= was_late * asked:
        return Loss(0, None, 0, 0, late, asked, missed, was_late, was_asked, was_missed, 0.0)
    part = np.array([late, was_late, late + was_late], np.float64)
    whole = np.array([asked, was_asked, asked + was_asked], np.float64)
    likelihood = log_likelihood(part, whole)
    evidence = float(likelihood[0] + likelihood[1] - likelihood[2])
    return Loss(0, None, 0, 0, late, asked, missed, was_late, was_asked, was_missed, evidence)


def _touched(at_ms: Ints, outages: Sequence[Outage], now_ms: int) -> NDArray[np.bool_]:
    touched = np.zeros(len(at_ms), bool)
    for begin, end in silent_spans(outages, now_ms):
        touched |= (at_ms < end) & (at_ms + HOUR_MS > begin)
    return touched


Found = tuple[Loss, NDArray[np.bool_], NDArray[np.bool_]]
"""A loss, in which hours it is, and with which hours before it is compared."""

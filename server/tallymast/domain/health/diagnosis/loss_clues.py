"""When polls get lost that did not get lost before: at certain hours of the day, or at all."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import tzinfo
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tallymast.domain.health.comms.intervals import design_effect
from tallymast.domain.health.comms.model import ContactChange, Outage
from tallymast.domain.health.diagnosis.daily_loss import LEAST_RISE, by_both_clocks, daily_loss
from tallymast.domain.health.diagnosis.lost_hours import (
    DAY_H,
    LIKE,
    Floats,
    Found,
    HourGrid,
    Ints,
    Loss,
    counted_in,
    heard_hours,
)
from tallymast.domain.health.record import ContactHours
from tallymast.domain.record.spans import SpanSeries

_LEAST_ALWAYS_H: Final = 8  # ours: a loss of some hours may be one of certain hours
_PART_H: Final = 4  # ours: parts of the day that must all be hit
_PART_POLLS: Final = 24


def loss_of(
    contact: ContactHours,
    change: ContactChange | None,
    outages: Sequence[Outage],
    signal: SpanSeries | None,
    *,
    now_ms: int,
    zone: tzinfo,
) -> Loss | None:
    """Return how polls get lost, None where nothing has become worse or it is over.

    Args:
        contact: polls by clock hour.
        change: a lasting change of the first-try share that was found already.
        outages: of the site; hours they touch do not count.
        signal: by clock hour, where it is reported.
        now_ms: the instant.
        zone: whose clock people read.

    """
    heard = heard_hours(contact, outages, now_ms)
    grid = HourGrid.of(heard, now_ms, zone)
    if grid is None:
        return None
    always = None if change is None else _always(grid, change.at_ms)
    found = daily_loss(grid)
    if found is not None and grid.moved_ms:
        found = by_both_clocks(found, HourGrid.of(heard, now_ms, zone, by_sun=True))
    if always is not None and (found is None or always[0].lasts_h >= _LEAST_ALWAYS_H):
        found = always
    if found is None:
        return None
    loss, inside, before = found
    return replace(loss, signal_db=_moved(grid, signal, inside, before))


def _always(grid: HourGrid, since_ms: int) -> Found | None:
    """Return the loss since an hour, None where it was not there all the time since."""
    used = grid.asked > 0
    inside, before = used & (grid.begins_ms >= since_ms), used & (grid.begins_ms < since_ms)
    where = np.flatnonzero(inside)
    if not len(where) or not before.any():
        return None
    counted = counted_in(grid, inside, before)
    usual, rise = counted.before_late / counted.before_asked, counted.rise
    parts = np.array_split(where, min(4, len(where)))
    beyond = grid.late - usual * grid.asked
    rises = [float(beyond[part].sum() / grid.asked[part].sum()) for part in parts]
    if rise < LEAST_RISE / 2 or min(rises) < LIKE * rise or not _all_day(where, beyond, grid, rise):
        return None
    worth = design_effect(grid.late[before], grid.asked[before])
    lasts_h = int(where[-1] - where[0]) + 1
    loss = replace(
        counted,
        since_ms=since_ms,
        lasts_h=lasts_h,
        days=-(-lasts_h // DAY_H),
        evidence=counted.evidence / worth,
        again=counted.evidence / worth,
    )
    return loss, inside, before


def _all_day(where: Ints, beyond: Floats, grid: HourGrid, rise: float) -> bool:
    """Return whether every part of the local day rose, of those with enough polls."""
    part_of = where % DAY_H // _PART_H
    for part in range(DAY_H // _PART_H):
        hours = where[part_of == part]
        asked = grid.asked[hours].sum()
        if asked >= _PART_POLLS and beyond[hours].sum() < LIKE * rise * asked:
            return False
    return True


def _moved(
    grid: HourGrid,
    signal: SpanSeries | None,
    inside: NDArray[np.bool_],
    before: NDArray[np.bool_],
) -> float | None:
    """Return by how much the signal of those hours differs from that of the hours before."""
    if signal is None or not len(signal):
        return None
    place = np.minimum(np.searchsorted(signal.at_ms, grid.begins_ms), len(signal) - 1)
    level = np.where(signal.at_ms[place] == grid.begins_ms, signal.mean[place], np.nan)
    known = ~np.isnan(level) & (grid.begins_ms > 0)
    now, was = level[inside & known], level[before & known]
    if len(now) < 2 or len(was) < 2:
        return None
    return float(np.median(now) - np.median(was))

"""Names the hours of the day at which a site's polls miss their first try again and again."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tallymast.routes.formats import percent
from tallymast.routes.reliability_grid import places
from tallymast.routes.reliability_report import Ints, Report
from tallymast.storage.reliability import SiteHours

# Ours, all of them: an hour stands out when on three days, and on every fourth up to ten, it
# misses three more first tries than usual hours do, 5 points more, and more than three times
# their usual scatter; and when it does so three times as often as other hours.
LEAST_DAYS: Final = 3
ENOUGH_DAYS: Final = 10
LEAST_MORE: Final = 3
LEAST_SPREADS: Final = 3
LEAST_PART: Final = 0.25
LEAST_ABOVE: Final = 0.05
LEAST_TIMES: Final = 3
_NORMAL: Final = 1.4826  # median absolute deviation to standard deviation, of a normal scatter
_MOST_HOURS: Final = 12  # more than half a day is no crowd
_NAMED: Final = 6

Hours = tuple[int, ...]


def crowds(report: Report, zone: tzinfo) -> list[str]:
    """Return a sentence for each span of hours at which misses crowd, and at which sites."""
    found: dict[Hours, list[_Clocked]] = {}
    for one in _clocked(report, zone):
        hours = _stand_out(one.cells, one.days, one.at_hour)
        if hours:
            found.setdefault(hours, []).append(one)
    if not found:
        where = " at any site" if len(report.sites) > 1 else ""
        return [f"No hour of the day stands out{where}." if len(report.at_ms) else _NOTHING]
    ranked = sorted(found.items(), key=lambda item: (-len(item[1]), item[0]))
    return [_sentence(hours, sites) for hours, sites in ranked[:_NAMED]]


_NOTHING: Final = "Nobody was asked in this period."


@dataclass(frozen=True, slots=True)
class _Clocked:
    """A site's hours with the local day and the hour of the day of each."""

    name: str
    cells: Ints
    days: Ints
    at_hour: Ints


def _clocked(report: Report, zone: tzinfo) -> list[_Clocked]:
    """Return every site's hours on the wall clock, which is read once for all of them."""
    days, at_hour = places(report.at_ms, zone)
    found = []
    for one in report.sites:
        which = np.searchsorted(report.at_ms, one.hours.at_ms)
        found.append(_Clocked(one.site.name, one.hours.cells, days[which], at_hour[which]))
    return found


def hours_that_stand_out(hours: SiteHours, zone: tzinfo) -> Hours:
    """Return the hours 0..23 of the local day at which a site misses first tries again and again.

    They follow each other, across midnight too; of several such spans the longest is told.
    """
    return _stand_out(hours.cells, *places(hours.at_ms, zone))


def _stand_out(cells: Ints, days: Ints, at_hour: Ints) -> Hours:
    if not len(days) or days[-1] - days[0] < LEAST_DAYS - 1:
        return ()
    asked = cells[:, 0]
    missed = asked - cells[:, 1]
    more = missed - np.median(missed / asked) * asked
    spread = _NORMAL * np.median(np.abs(more))
    high = more >= np.maximum(max(LEAST_MORE, LEAST_SPREADS * spread), LEAST_ABOVE * asked)
    hits = np.bincount(at_hour[high], minlength=24)
    known = np.bincount(at_hour, minlength=24)
    part = np.minimum(LEAST_PART * known, ENOUGH_DAYS)
    least = np.maximum(LEAST_DAYS, np.maximum(part, LEAST_TIMES * np.median(hits)))
    return _longest((hits >= least) & (known > 0))


def _longest(marked: NDArray[np.bool_]) -> Hours:
    """Return the longest run of marked hours around the clock; nothing of a whole half day."""
    if not 0 < marked.sum() <= _MOST_HOURS:
        return ()
    runs: list[list[int]] = []
    begin = next(hour for hour in range(24) if not marked[hour])
    for hour in ((begin + n) % 24 for n in range(24)):
        if marked[hour] and marked[hour - 1] and runs:
            runs[-1].append(hour)
        elif marked[hour]:
            runs.append([hour])
    longest = max(len(run) for run in runs)
    return tuple(next(run for run in runs if len(run) == longest))


def _sentence(hours: Hours, sites: Sequence[_Clocked]) -> str:
    names = [one.name for one in sites]
    if len(names) > _NAMED:
        names = [*names[:_NAMED], f"{len(names) - _NAMED} more"]
    inside, outside = _shares(hours, sites)
    when = f"between {hours[0]:02d}:00 and {(hours[-1] + 1) % 24:02d}:00"
    said = (
        f"{percent(inside)} of polls miss their first try then, {percent(outside)} at other hours"
    )
    return f"Misses crowd {when} at {', '.join(names)}: {said}."


def _shares(hours: Hours, sites: Sequence[_Clocked]) -> tuple[float, float]:
    """Return the shares missed at the first try inside the hours and outside."""
    totals = np.zeros((2, 2))
    for one in sites:
        inside = np.isin(one.at_hour, hours)
        for row, chosen in enumerate((inside, ~inside)):
            cells = one.cells[chosen]
            totals[row] += (cells[:, 0] - cells[:, 1]).sum(), cells[:, 0].sum()
    return float(totals[0, 0] / totals[0, 1]), float(totals[1, 0] / totals[1, 1])

"""Figures side by side: a site now and before, or some sites beside each other."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from tallymast.domain.health.comms.model import SitePeriod
from tallymast.routes.formats import lasting, number
from tallymast.routes.reliability_periods import Period
from tallymast.routes.reliability_report import SiteReport
from tallymast.routes.reliability_rows import (
    Figure,
    answers_figure,
    availability_figure,
    burst_figure,
    change_figure,
    failures_figure,
    outages_figure,
    remark,
    share_figure,
)


@dataclass(frozen=True, slots=True)
class Head:
    """What stands over a column: a site's key where it names one."""

    words: str
    small: str = ""
    key: str = ""


@dataclass(frozen=True, slots=True)
class ColumnLine:
    """One figure of every column."""

    name: str
    figures: tuple[Figure, ...]


@dataclass(frozen=True, slots=True)
class Columns:
    """A table whose columns are sites or periods."""

    heads: tuple[Head, ...]
    lines: tuple[ColumnLine, ...]


def _polls(period: SitePeriod) -> Figure:
    counts = period.counts
    if not counts.asked:
        return Figure("none asked", tone="off")
    said = f"{number(counts.answered)} answered, {number(counts.missed)} missed"
    garbled = f", {number(counts.garbled)} of them garbled" if counts.garbled else ""
    return Figure(number(counts.asked), said + garbled)


def _apart(period: SitePeriod) -> Figure:
    parts = [
        f"{lasting(span)} {name}"
        for span, name in (
            (period.gateway_ms, "gateway lost"),
            (period.maintenance_ms, "maintenance"),
        )
        if span
    ]
    return Figure(", ".join(parts) or "nothing")


_LINES: Final[tuple[tuple[str, Callable[[SitePeriod], Figure]], ...]] = (
    ("Polls asked", _polls),
    ("Answered", lambda one: share_figure(one.success)),
    ("At the first try", lambda one: share_figure(one.first_try)),
    ("Outages", outages_figure),
    ("Available", availability_figure),
    ("Fails, and is back", failures_figure),
    ("Answer time, median / p95", lambda one: answers_figure(one.answers, None)),
    ("Missed in a row", burst_figure),
    ("Held apart", _apart),
)


def columns_of(sites: Sequence[SiteReport], period: Period) -> Columns:
    """Return some sites side by side."""
    heads = tuple(Head(one.site.name, remark(one, period.days), one.site.key) for one in sites)
    lines = [ColumnLine(name, tuple(make(one.now) for one in sites)) for name, make in _LINES]
    changes = tuple(change_figure(one.change, period.before) for one in sites)
    firsts = tuple(change_figure(one.first_change, period.before) for one in sites)
    lines[3:3] = [
        ColumnLine("Change of answered", changes),
        ColumnLine("Change at the first try", firsts),
    ]
    return Columns(heads, tuple(lines))


def then_and_now(one: SiteReport, period: Period) -> Columns:
    """Return a site's figures now, before, and how the shares moved."""
    changes = {
        "Answered": change_figure(one.change, period.before),
        "At the first try": change_figure(one.first_change, period.before),
    }
    heads = (Head(period.words, remark(one, period.days)), Head(period.before), Head("change"))
    lines = tuple(
        ColumnLine(name, (make(one.now), make(one.before), changes.get(name, _moved(name, one))))
        for name, make in _LINES
    )
    return Columns(heads, lines)


def _moved(name: str, one: SiteReport) -> Figure:
    """Return how an answer time moved; other figures stand for themselves."""
    now, before = one.now.answers, one.before.answers
    if not name.startswith("Answer time") or now is None or before is None:
        return Figure("")
    moved = (now.median_ms - before.median_ms, now.p95_ms - before.p95_ms)
    return Figure(f"{' / '.join(_signed(round(one)) for one in moved)}\u00a0ms", "known to 19 %")


def _signed(ms: int) -> str:
    return f"+{number(ms)}" if ms > 0 else number(ms)

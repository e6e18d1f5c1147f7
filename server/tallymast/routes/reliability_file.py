"""The figures of a period as comma-separated values: a row a site, both periods side by side.

RFC 4180 with CR LF; shares in per cent; what is not known is an empty cell, never 0.
"""

import csv
import io
from collections.abc import Callable, Iterable
from typing import Final

from tallymast.domain.health.comms.model import Share, SitePeriod
from tallymast.files.harmless import harmless
from tallymast.routes.formats import iso
from tallymast.routes.reliability_periods import Period
from tallymast.routes.reliability_report import Change, Report, SiteReport

Cell = str | int | float | None


def file_name(period: Period) -> str:
    """Return what to call the file."""
    return f"reliability-{period.first}-to-{period.last}.csv"


def lines(report: Report, sites: Iterable[SiteReport]) -> bytes:
    """Return the whole file."""
    made = io.StringIO(newline="")
    writer = csv.writer(made, lineterminator="\r\n")
    writer.writerow(heading())
    for one in sites:
        writer.writerow([_word(cell) for cell in cells(one, report)])
    return made.getvalue().encode()


def heading() -> list[str]:
    """Return the headings, each with its unit."""
    figures = [name for name, _ in _FIGURES]
    return [
        *_HEAD,
        *figures,
        *(f"before: {name}" for name in figures),
        *(f"change of {share} ({part})" for share in ("answered", "first try") for part in _CHANGE),
    ]


_HEAD: Final = (
    "site",
    "name",
    "area",
    "gateway",
    "begins (UTC)",
    "ends (UTC)",
    "before begins (UTC)",
    "days",
    "days with a record",
)
_CHANGE: Final = ("points", "points, low", "points, high")


def _share(get: Callable[[SitePeriod], Share], end: str) -> Callable[[SitePeriod], Cell]:
    def cell(period: SitePeriod) -> Cell:
        share = get(period)
        if not share.is_known:
            return None
        value = getattr(share, end)
        return None if value is None else round(100 * value, 4)

    return cell


def _success(period: SitePeriod) -> Share:
    return period.success


def _first(period: SitePeriod) -> Share:
    return period.first_try


def _worth(period: SitePeriod) -> Cell:
    worth = period.success.effective_n
    return None if worth is None else round(worth, 1)


def _seconds(get: Callable[[SitePeriod], float | None]) -> Callable[[SitePeriod], Cell]:
    def cell(period: SitePeriod) -> Cell:
        ms = get(period)
        return None if ms is None else round(ms / 1000)

    return cell


def _known(period: SitePeriod, value: float) -> float | None:
    return None if period.longest_gap_ms is None else value


_FIGURES: Final[tuple[tuple[str, Callable[[SitePeriod], Cell]], ...]] = (
    ("polls asked", lambda one: one.counts.asked),
    ("polls answered", lambda one: one.counts.answered),
    ("polls answered at first try", lambda one: one.counts.first_try),
    ("polls missed", lambda one: one.counts.missed),
    ("polls garbled, of the missed", lambda one: one.counts.garbled),
    ("answered (%)", _share(_success, "share")),
    ("answered, low (%)", _share(_success, "low")),
    ("answered, high (%)", _share(_success, "high")),
    ("polls these are worth", _worth),
    ("first try (%)", _share(_first, "share")),
    ("first try, low (%)", _share(_first, "low")),
    ("first try, high (%)", _share(_first, "high")),
    ("missed in a row, mean", lambda one: one.mean_burst),
    ("outages", lambda one: None if one.longest_gap_ms is None else len(one.outages)),
    ("longest outage (s)", _seconds(lambda one: one.longest_gap_ms)),
    ("outages together (s)", _seconds(lambda one: _known(one, one.down_ms))),
    ("in service (s)", _seconds(lambda one: one.in_service_ms)),
    ("available (%)", lambda one: _percent(one.availability)),
    ("mean time between failures (s)", _seconds(lambda one: one.mtbf_ms)),
    ("mean time to restore (s)", _seconds(lambda one: one.mttr_ms)),
    ("answer time, median (ms)", lambda one: round(one.answers.median_ms) if one.answers else None),
    ("answer time, p95 (ms)", lambda one: round(one.answers.p95_ms) if one.answers else None),
    ("answers timed", lambda one: one.answers.n if one.answers else None),
    ("maintenance (s)", _seconds(lambda one: one.maintenance_ms)),
    ("gateway lost (s)", _seconds(lambda one: one.gateway_ms)),
)


def _percent(part: float | None) -> Cell:
    return None if part is None else round(100 * part, 4)


def cells(one: SiteReport, report: Report) -> list[Cell]:
    """Return a site's line, a cell a heading; None is not known."""
    period = report.period
    return [
        one.site.key,
        one.site.name,
        one.site.area,
        one.site.gateway,
        iso(period.from_ms),
        iso(period.to_ms),
        iso(period.before_ms),
        period.days,
        one.days,
        *(make(one.now) for _, make in _FIGURES),
        *(make(one.before) for _, make in _FIGURES),
        *_moved(one.change),
        *_moved(one.first_change),
    ]


def _moved(change: Change | None) -> list[Cell]:
    if change is None:
        return [None] * len(_CHANGE)
    return [round(100 * part, 4) for part in (change.middle, change.low, change.high)]


def _word(cell: Cell) -> str:
    """Return a cell as text; none can be taken for a formula by who opens it."""
    if cell is None:
        return ""
    if isinstance(cell, str):
        return harmless(cell)
    return f"{cell:g}" if isinstance(cell, float) and cell.is_integer() else repr(cell)

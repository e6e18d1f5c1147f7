"""A month's statement: one printable file that needs nothing else, for a point, a site or an area.

Closed months are told as they were closed, with what came later beside it as corrections.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from tallymast.domain.totals.hand_index import OPERATIONAL
from tallymast.domain.totals.written import as_typed
from tallymast.routes.inlined import inlined_styles
from tallymast.routes.reliability_paper import paper_clock
from tallymast.routes.report_words import made_sentence
from tallymast.routes.screens import environment
from tallymast.routes.services import Services
from tallymast.routes.volumes.periods import Period
from tallymast.routes.volumes.point_page import PointMonth, read_month
from tallymast.routes.volumes.points import Stood
from tallymast.routes.volumes.words import amount

STYLES: Final = ("tokens.css", "base.css", "report.css", "volumes.css")


@dataclass(frozen=True, slots=True)
class Part:
    """An area with its points' months."""

    name: str
    months: tuple[PointMonth, ...]


def statement_html(
    given: Services, period: Period, points: Sequence[Stood], area: str = ""
) -> bytes:
    """Return the statement as one HTML file.

    Args:
        given: the services.
        period: a month.
        points: what it tells of, in their order.
        area: what was chosen, for its title; empty: the points say it.

    """
    network = given.network()
    months = []
    for one in points:  # each in a read of its own, so that none holds the database for long
        with given.database.reading() as conn:
            months.append(read_month(conn, given, one, period))
    months = [one for one in months if one.days or one.stood.plan.site.retired is None]
    names = dict.fromkeys(one.stood.area for one in months)
    clock = paper_clock(given, period.begin_ms)
    context = {
        "title": network.title,
        "name": f"Volumes, {period.words}",
        "what": _what(points, area),
        "styles": inlined_styles(*STYLES),
        "clock": clock,
        "made": made_sentence(given, clock),
        "period": period,
        "until_ms": max((one.until_ms for one in months), default=period.begin_ms),
        "parts": [
            Part(name, tuple(one for one in months if one.stood.area == name)) for name in names
        ],
        "shows_days": len(months) <= 4,  # ours: with more points the days would fill a book
        "contract": f"{network.contract_hour:02d}:00 {network.contract_zone or network.time_zone}",
        "operational": OPERATIONAL,
        "amount": amount,
        "exact": as_typed,
    }
    return environment().get_template("volume_statement.html").render(context).encode()


def _what(points: Sequence[Stood], area: str) -> str:
    if len(points) == 1:
        return f"{points[0].plan.site.name}, {points[0].counted.point.name}"
    sites = dict.fromkeys(one.plan.site.name for one in points)
    if len(sites) == 1:
        return next(iter(sites))
    return area or "All counting points"

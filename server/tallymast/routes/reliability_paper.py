"""A period's reliability to hand over: one printable file that needs nothing else.

It shows what the Reliability page shows of all sites, in the same words, with what a reader
needs who has no page: coverage, terms, when and by what it was made.
"""

from collections.abc import Sequence
from typing import Final

from tallymast.domain.zones import find_zone
from tallymast.routes.inlined import inlined_styles, unlinked
from tallymast.routes.paper_clock import PaperClock
from tallymast.routes.reliability_crowds import crowds
from tallymast.routes.reliability_grid import draw_grid
from tallymast.routes.reliability_report import Report
from tallymast.routes.reliability_rows import HEADS, ordered, row
from tallymast.routes.reliability_words import (
    apart,
    common_lines,
    headline,
    outage_lines,
    unknown,
)
from tallymast.routes.report_words import (
    TERMS,
    coverage,
    facts,
    loss_line,
    made_sentence,
    span_sentence,
    title_words,
)
from tallymast.routes.screens import environment
from tallymast.routes.services import Services

SHOWN: Final = 200  # ours: outages on paper, some four sheets; the spreadsheet has them all
STYLES: Final = ("tokens.css", "base.css", "reliability.css", "report.css")


def paper_clock(given: Services, about_ms: int) -> PaperClock:
    """Return the clock of a report about an instant, made now."""
    return PaperClock(find_zone(given.network().time_zone), given.now_ms(), about_ms)


def reliability_html(given: Services, report: Report, findings: Sequence[str] = ()) -> bytes:
    """Return a report as one HTML file.

    Args:
        given: the services; nothing is read but the network's names and the clock.
        report: what was worked out.
        findings: what was found in the period, a plain sentence each.

    """
    network, period = given.network(), report.period
    clock = paper_clock(given, period.to_ms - 1)
    span = period.from_ms, period.to_ms
    context = {
        "title": network.title,
        "name": f"Reliability, {title_words(period, clock.zone)}",
        "styles": inlined_styles(*STYLES),
        "unlinked": unlinked,
        "clock": clock,
        "made": made_sentence(given, clock),
        "span_words": span_sentence(period, network, clock),
        "headline": headline(report),
        "facts": facts(report),
        "now": period.words,
        "before": period.before,
        "coverage": coverage(report, clock),
        "findings": findings,
        "apart": apart(report),
        "unknown": unknown(report),
        "heads": [words for words, _ in HEADS],
        "rows": [row(one, period) for one in ordered(report.sites, "worst")],
        "pick": False,
        "query": "",
        "common": common_lines(report),
        "losses": [],  # told one by one below
        "losts": [loss_line(one, clock) for one in report.losses],
        "crowds": crowds(report, clock.zone),
        "grid": draw_grid(report.at_ms, report.cells, span, clock.zone),
        "outages": outage_lines(report, SHOWN),
        "outage_total": len(report.outages),
        "terms": TERMS,
    }
    return environment().get_template("report_reliability.html").render(context).encode()

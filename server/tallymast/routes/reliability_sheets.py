"""A period's reliability as a spreadsheet: what it is about, and a sheet for each kind of line."""

from collections.abc import Callable, Iterator, Sequence
from typing import Final

import numpy as np

from tallymast.domain.local_times import local_texts
from tallymast.domain.zones import find_zone
from tallymast.files.sheets import Cell, Instant, Sheet, xlsx_bytes
from tallymast.routes.reliability_file import cells, heading, lines
from tallymast.routes.reliability_paper import paper_clock, reliability_html
from tallymast.routes.reliability_report import Report
from tallymast.routes.reliability_rows import ordered
from tallymast.routes.reliability_words import (
    apart,
    common_words,
    headline,
    outage_lines,
    unknown,
)
from tallymast.routes.report_words import (
    TERMS,
    coverage,
    facts,
    made_sentence,
    span_sentence,
    title_words,
)
from tallymast.routes.services import Services


def reliability_csv(_given: Services, report: Report, _findings: Sequence[str] = ()) -> bytes:
    """Return a report's figures as CSV, a line a site, as the Reliability page gives them."""
    return lines(report, ordered(report.sites, "worst"))


def reliability_xlsx(given: Services, report: Report, findings: Sequence[str] = ()) -> bytes:
    """Return a report as a spreadsheet.

    Args:
        given: the services; nothing is read but the network's names and the clock.
        report: what was worked out.
        findings: what was found in the period, a plain sentence each.

    """
    zone = given.network().time_zone
    sites = [cells(one, report) for one in ordered(report.sites, "worst")]
    sheets = [
        Sheet("About", (), list(_about(given, report, findings))),
        Sheet("Sites", tuple(heading()), sites),
        Sheet("Outages", (*_WHO, *times(zone), *_LASTED, "put down to"), _outages(report, zone)),
        Sheet(
            "Common causes", ("what", *times(zone), "lasted (s)", "sites"), _common(report, zone)
        ),
        Sheet("Gateways lost", ("gateway", *times(zone), *_LOST), _losses(report, zone)),
        Sheet("Hours", (*times(zone)[:2], *_POLLS), _hours(report, zone)),
    ]
    name = title_words(report.period, find_zone(zone))
    return xlsx_bytes(sheets, f"{given.network().title}: reliability, {name}", given.now_ms())


RELIABILITY: Final[dict[str, Callable[[Services, Report, Sequence[str]], bytes]]] = {
    "html": reliability_html,
    "csv": reliability_csv,
    "xlsx": reliability_xlsx,
}
_WHO = ("site", "name")
_LASTED = ("lasted (s)", "polls missed")
_LOST = ("lost (s)", "lasts", "sites behind it, not charged")
_POLLS = ("polls asked", "polls answered at first try", "polls missed")


def times(zone: str) -> tuple[str, str, str, str]:
    """Return the heads over a span's begin and end, each on the wall clock and in UTC."""
    return f"from ({zone})", "from (UTC)", f"to ({zone})", "to (UTC)"


def moment(at_ms: int | None, zone: str) -> tuple[Cell, Cell]:
    """Return an instant on the wall clock with its offset, and to count with; or two blanks."""
    if at_ms is None:
        return None, None
    return local_texts(np.array([at_ms]), find_zone(zone))[0], Instant(at_ms)


def _about(given: Services, report: Report, findings: Sequence[str]) -> Iterator[tuple[str, ...]]:
    period, network = report.period, given.network()
    clock = paper_clock(given, period.to_ms - 1)
    yield "Report", f"Reliability, {title_words(period, clock.zone)}"
    yield "Network", network.title
    yield "Period", span_sentence(period, network, clock)
    yield "Made", made_sentence(given, clock)
    yield "In short", headline(report)
    for fact in facts(report):
        told = f"{fact.now}; {period.before}: {fact.before}"
        yield fact.name, f"{told}; {fact.small}" if fact.small else told
    yield "Recorded", coverage(report, clock)
    some = (("Found", findings), ("Held apart", apart(report)), ("Not known", unknown(report)))
    for name, sentences in some:
        yield from ((name, one) for one in sentences)
    yield from TERMS


def _outages(report: Report, zone: str) -> list[tuple[Cell, ...]]:
    period = report.period
    found = zip(report.outages, outage_lines(report, None), strict=True)
    return [
        (
            one.site.key,
            one.site.name,
            *moment(outage.from_ms, zone),
            *moment(outage.to_ms, zone),
            round(outage.lasted_ms(period.to_ms) / 1000),
            outage.missed,
            f"{line.cause}; {line.hint}" if line.hint else line.cause,
        )
        for (one, outage), line in found
    ]


def _common(report: Report, zone: str) -> list[tuple[Cell, ...]]:
    return [
        (
            common_words(one, report),
            *moment(one.from_ms, zone),
            *moment(one.to_ms, zone),
            round(((one.to_ms or report.period.to_ms) - one.from_ms) / 1000),
            ", ".join(report.names[each][1] for each in one.site_ids if each in report.names),
        )
        for one in sorted(report.common, key=lambda each: -each.from_ms)
    ]


def _losses(report: Report, zone: str) -> list[tuple[Cell, ...]]:
    return [
        (
            one.name,
            *moment(one.from_ms, zone),
            *moment(None if one.lasts else one.to_ms, zone),
            round((one.to_ms - one.from_ms) / 1000),
            "yes" if one.lasts else "no",
            one.sites,
        )
        for one in report.losses
    ]


def _hours(report: Report, zone: str) -> list[tuple[Cell, ...]]:
    there = local_texts(report.at_ms, find_zone(zone))
    hours = zip(there, report.at_ms.tolist(), report.cells.tolist(), strict=True)
    return [(words, Instant(at_ms), *polls) for words, at_ms, polls in hours]

"""What a reliability report says besides the page: at a glance, coverage, terms, its making."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final

from tallymast.domain.health.comms.model import Share, SitePeriod
from tallymast.domain.health.comms.outages import Span, length_ms, merged, without
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.routes.formats import between, lasting, number, percent, plural
from tallymast.routes.paper_clock import PaperClock
from tallymast.routes.reliability_periods import Period, day_words
from tallymast.routes.reliability_report import Loss, Report
from tallymast.routes.reliability_rows import NOT_ASKED, TOO_FEW, share_words
from tallymast.routes.services import NetworkView, Services

GAPS_NAMED: Final = 5

TERMS: Final = (
    (
        "Poll",
        "one visit to a site. It is answered if the station answered at least one request, also "
        "by refusing it; else it is missed. Asked = answered + missed.",
    ),
    ("First try", "answered without a repetition; the radio's own repetitions are not seen."),
    (
        "Interval",
        "95 %: where the true share lies, misses taken as they come (in bursts), by blocks of "
        "hours. Under 100 polls or 24 hours no rate is given.",
    ),
    (
        "Change",
        "in points of a hundred against the period before; 'no clear change' where the interval "
        "of the difference holds 0.",
    ),
    (
        "Outage",
        "at least as many polls missed in a row as the site's limit says; from the first missed "
        "poll to the next answer, cut to the period.",
    ),
    ("Available", "the share of its time in service in which a site was in no outage."),
    (
        "Time in service",
        "the period without gateway losses, maintenance, times not polled on purpose and times "
        "in which nobody recorded.",
    ),
    (
        "Mean time between failures, to restore",
        "time available by outages; mean length of the outages that ended.",
    ),
    (
        "Common cause",
        "sites behind one repeater, in one direction or behind one gateway that fell silent "
        "together: told once. Each site's own figures hold its silence too.",
    ),
    ("Answer time", "median and 95th percentile, each known to 19 %."),
)


@dataclass(frozen=True, slots=True)
class Fact:
    """One line at a glance: this period, the one before, what it rests on."""

    name: str
    now: str
    before: str
    small: str = ""


def title_words(period: Period, zone: tzinfo) -> str:
    """Return what a period is called over a report: ``October 2026``, ``26 Oct to 25 Nov 2026``."""
    if period.name in ("month", "last-month", "this-month"):
        return f"{period.first:%B %Y}"
    if period.name == "span":
        ends = [PaperClock(zone, ms, ms).as_of for ms in (period.from_ms, period.to_ms)]
        return " to ".join(ends)
    last = f"{day_words(period.last)} {period.last.year}"
    if period.first == period.last:
        return last
    year = "" if period.first.year == period.last.year else f" {period.first.year}"
    return f"{day_words(period.first)}{year} to {last}"


def span_sentence(period: Period, network: NetworkView, clock: PaperClock) -> str:
    """Return when a period begins and ends, and the one before it."""
    ends = (period.from_ms, period.to_ms, period.before_ms)
    begin, end, before = (clock.day_and_time(at_ms) for at_ms in ends)
    said = f"From {begin} to {end}, against {period.before}, from {before}."
    if period.goes_on:
        said += " The period has not ended: its last day counts as far as it has gone."
    whole = "Whole contract days" if period.is_whole else "Contract days"
    there = network.contract_zone or network.time_zone
    return f"{said} {whole} begin at {network.contract_hour:02d}:00 {there}."


def made_sentence(given: Services, clock: PaperClock) -> str:
    """Return when and by what a report was made."""
    return (
        f"Made {clock.as_of} by Tallymast {given.version}; the network as it is then, "
        f"revision {given.network().revision_id}."
    )


def facts(report: Report) -> list[Fact]:
    """Return the network at a glance."""
    now, before = ([getattr(one, when) for one in report.sites] for when in ("now", "before"))
    return [
        Fact("Polls answered", _share(report.network), _share(report.network_before)),
        Fact("Sites asked", str(report.asked), str(sum(1 for one in before if one.counts.asked))),
        Fact("Outages", _outages(now), _outages(before)),
        Fact(
            "Sites available, all together",
            _available(now),
            _available(before),
            "of their time in service",
        ),
    ]


def _share(share: Share) -> str:
    if not share.whole:
        return NOT_ASKED
    if share.low is None or share.high is None:
        return TOO_FEW
    ends = between(share.low, share.high)
    return f"{share_words(share)} ({ends}) of {number(share.whole)}"


def _outages(periods: Sequence[SitePeriod]) -> str:
    known = [one for one in periods if one.longest_gap_ms is not None]
    count = sum(len(one.outages) for one in known)
    if not known:
        return "unknown"
    if not count:
        return f"none at {plural(len(known), 'site')}"
    where = plural(sum(1 for one in known if one.outages), "site")
    return f"{number(count)} at {where}, together {lasting(sum(one.down_ms for one in known))}"


def _available(periods: Sequence[SitePeriod]) -> str:
    known = [one for one in periods if one.availability is not None]
    served = sum(one.in_service_ms for one in known)
    if not served:
        return "unknown"
    return percent(1 - sum(one.down_ms for one in known) / served, 2)


# --- coverage -----------------------------------------------------------------------------


def unrecorded(report: Report) -> list[Span]:
    """Return when nobody recorded: the hours without a poll while no gateway was lost."""
    period = report.period
    hours = [(at_ms, at_ms + HOUR_MS) for at_ms in report.at_ms.tolist()]
    losses = [(one.from_ms, one.to_ms) for one in report.losses]
    return without([(period.from_ms, period.to_ms)], merged([*hours, *losses]))


def coverage(report: Report, clock: PaperClock) -> str:
    """Return in a sentence how much of a period was recorded, and where it was not."""
    period, holes = report.period, unrecorded(report)
    whole_ms = period.to_ms - period.from_ms
    known_ms = whole_ms - length_ms(holes)
    said = (
        f"Polling was recorded in {number(round(known_ms / HOUR_MS))} of "
        f"{number(round(whole_ms / HOUR_MS))} hours ({percent(known_ms / whole_ms)})"
    )
    if not holes:
        return f"{said}."
    longest = sorted(holes, key=lambda one: one[0] - one[1])[:GAPS_NAMED]
    named = [
        f"{clock.at(begin).striptags()} to {clock.till(end, begin).striptags()}"
        for begin, end in sorted(longest)
    ]
    most = "" if len(holes) <= GAPS_NAMED else f", the longest {GAPS_NAMED} of {len(holes)} times"
    return f"{said}; not{most}: {'; '.join(named)}."


def loss_line(loss: Loss, clock: PaperClock) -> str:
    """Return one loss of a gateway in a sentence."""
    till = clock.till(loss.to_ms, loss.from_ms).striptags()
    end = "and lasts" if loss.lasts else f"to {till}"
    return (
        f"{loss.name}: {clock.at(loss.from_ms).striptags()} {end} "
        f"({lasting(loss.to_ms - loss.from_ms)}), not counted against "
        f"its {plural(loss.sites, 'site')}."
    )

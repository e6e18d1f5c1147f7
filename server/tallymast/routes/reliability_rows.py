"""Reliability in words: a site's figures, its outages, common causes, what is not known."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from tallymast.domain.health.comms.model import (
    AnswerTimes,
    Cause,
    CommonCause,
    Outage,
    Share,
    SitePeriod,
)
from tallymast.routes.formats import GROUP, MINUS, between, lasting, number, percent, plural
from tallymast.routes.reliability_periods import Order, Period, day_words
from tallymast.routes.reliability_report import Change, Loss, Report, SiteReport

SHOWN: Final = 100  # outages on one page; the file and the site's own page have them all
TOO_FEW: Final = "too few polls for a rate"
NOT_ASKED: Final = "not asked"


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure as it stands in a cell: the number, and what it rests on."""

    words: str
    small: str = ""
    tone: str = "calm"


@dataclass(frozen=True, slots=True)
class Row:
    """One site of the table."""

    key: str
    name: str
    remark: str
    answered: Figure
    first_try: Figure
    change: Figure
    outages: Figure
    availability: Figure
    failures: Figure
    answers: Figure
    burst: Figure


@dataclass(frozen=True, slots=True)
class OutageLine:
    """One outage in words."""

    key: str
    name: str
    outage: Outage
    lasted: str
    goes_on: str
    cause: str
    hint: str


@dataclass(frozen=True, slots=True)
class CommonLine:
    """One common cause: what fell silent together, for how long, and who."""

    what: str
    from_ms: int
    to_ms: int | None
    lasted: str
    sites: tuple[tuple[str, str], ...]  # key, name


# --- figures ----------------------------------------------------------------------------


def share_figure(share: Share) -> Figure:
    """Return a share with its interval and how many polls it is of."""
    if not share.whole:
        return Figure(NOT_ASKED, tone="off")
    asked = f"of {number(share.whole)}"
    if share.low is None or share.high is None:
        return Figure(TOO_FEW, f"{number(share.part)} {asked}", "off")
    return Figure(percent(share.share), f"{between(share.low, share.high)}, {asked}")


def change_figure(change: Change | None, before: str) -> Figure:
    """Return how much a share moved, in points of a hundred, or that it did not clearly."""
    if change is None:
        return Figure("not known", f"nothing to compare in {before}", "off")
    ends = f"{_points(change.low)} to {_points(change.high)}"
    if not change.is_clear:
        return Figure("no clear change", ends, "off")
    tone = "watch" if change.middle < 0 else "calm"
    return Figure(f"{_points(change.middle)} points", ends, tone)


def _points(part: float) -> str:
    """Return a difference of shares in points, with its sign: ``+0.3``."""
    text = f"{100 * part:+.1f}"
    if abs(100 * part) < 0.05:
        text = f"{100 * part:+.2f}" if abs(100 * part) >= 0.005 else "0.0"
    return text.replace("-", MINUS)


def outages_figure(period: SitePeriod) -> Figure:
    """Return how many outages, the longest and all together."""
    if period.longest_gap_ms is None:
        return Figure("unknown", tone="off")
    if not period.outages:
        return Figure("none")
    longest, together = lasting(period.longest_gap_ms), lasting(period.down_ms)
    small = longest if len(period.outages) == 1 else f"longest {longest}, together {together}"
    return Figure(str(len(period.outages)), small)


def availability_figure(period: SitePeriod) -> Figure:
    """Return the share of its time in service in which a site was to be reached."""
    if period.availability is None:
        return Figure("unknown", tone="off")
    return Figure(percent(period.availability), f"of {lasting(period.in_service_ms)}")


def failures_figure(period: SitePeriod) -> Figure:
    """Return mean times between failures and to restore, as people say them."""
    if period.longest_gap_ms is None:
        return Figure("unknown", tone="off")
    if period.mtbf_ms is None:
        return Figure("did not fail")
    back = f"back in {lasting(period.mttr_ms)}" if period.mttr_ms is not None else "not back yet"
    return Figure(f"every {lasting(period.mtbf_ms)}", back)


def answers_figure(now: AnswerTimes | None, before: AnswerTimes | None) -> Figure:
    """Return median and 95th percentile of the answer time, and what they were."""
    if now is None:
        return Figure("unknown", tone="off")
    was = f"was {_times(before)}" if before else f"of {number(now.n)}"
    return Figure(f"{_times(now)}{GROUP}ms", was)


def _times(answers: AnswerTimes) -> str:
    return f"{number(round(answers.median_ms))} / {number(round(answers.p95_ms))}"


def burst_figure(period: SitePeriod) -> Figure:
    """Return how many polls are missed in a row, on average."""
    if period.mean_burst is None:
        return Figure("none missed" if period.counts.asked else "unknown", tone="off")
    return Figure(f"{period.mean_burst:.1f}", f"of {number(period.counts.missed)} missed")


# --- rows -------------------------------------------------------------------------------


def row(one: SiteReport, report: Report) -> Row:
    """Return a site's row."""
    return Row(
        one.site.key,
        one.site.name,
        remark(one, report.period.days),
        share_figure(one.now.success),
        share_figure(one.now.first_try),
        change_figure(one.change, report.period.before),
        outages_figure(one.now),
        availability_figure(one.now),
        failures_figure(one.now),
        answers_figure(one.now.answers, one.before.answers),
        burst_figure(one.now),
    )


def remark(one: SiteReport, days: int) -> str:
    """Return what has to be known beside a site's figures."""
    if not one.plan.is_polled and not one.now.counts.asked:
        return "not polled"
    if one.days < days:
        return f"record of {one.days} of {plural(days, 'day')}"
    return ""


def ordered(sites: Iterable[SiteReport], order: Order) -> list[SiteReport]:
    """Return the sites in an order; those without the figure it goes by come last."""
    return sorted(sites, key=lambda one: _key(one, order))


def _key(one: SiteReport, order: Order) -> tuple[bool, float, str]:
    if order == "name":
        return False, 0.0, one.site.name
    figure = _figure(one, order)
    return figure is None, 0.0 if figure is None else figure, one.site.name


def _figure(one: SiteReport, order: Order) -> float | None:
    now = one.now
    by_order = {
        "worst": _known(now.success),
        "answered": _known(now.success),
        "first-try": _known(now.first_try),
        "change": one.change.middle if one.change else None,
        "outages": None if now.longest_gap_ms is None else -float(len(now.outages)),
        "down": None if now.longest_gap_ms is None else -float(now.down_ms),
        "p95": -now.answers.p95_ms if now.answers else None,
    }
    return by_order[order]


def _known(share: Share) -> float | None:
    return share.share if share.is_known else None


# --- outages and causes -----------------------------------------------------------------


def outage_line(one: SiteReport, outage: Outage, report: Report) -> OutageLine:
    """Return one outage in words."""
    period = report.period
    if outage.to_ms is not None:
        goes_on = ""
    else:
        goes_on = "lasts" if period.goes_on else "past the period's end"
    common = next((each for each in report.common if _explains(each, one, outage)), None)
    what = "with others: " + common_words(common, report) if common else _CAUSES[outage.cause]
    lasted = lasting(outage.lasted_ms(period.to_ms))
    hint = "" if outage.last_answer_ms is not None else "the answer before it is not known"
    return OutageLine(one.site.key, one.site.name, outage, lasted, goes_on, what, hint)


_CAUSES: Final = {
    Cause.ALONE: "alone: nothing else fell silent with it",
    Cause.SUPPLY: "supply: the station had no power",
    Cause.COMMON: "with others, one cause",
}


def _explains(common: CommonCause, one: SiteReport, outage: Outage) -> bool:
    if one.plan.site_id not in common.site_ids or outage.cause is Cause.SUPPLY:
        return False
    ends_ms = common.to_ms
    return (ends_ms is None or outage.from_ms < ends_ms) and (
        outage.to_ms is None or outage.to_ms > common.from_ms
    )


def common_words(common: CommonCause, report: Report) -> str:
    """Return what sites that fell silent together share."""
    gateway = report.gateway_names.get(common.gateway, common.gateway)
    if common.kind == "path":
        return f"behind {report.names[common.site_ids[0]][1]}, {gateway}"
    if common.kind == "bearing" and common.bearing_deg is not None:
        first, last = (round(edge) % 360 for edge in common.bearing_deg)
        return f"between {first}° and {last}° from {gateway}"
    return f"most sites of {gateway}"


def common_lines(report: Report) -> list[CommonLine]:
    """Return the common causes, the newest first."""
    lines = []
    for one in sorted(report.common, key=lambda each: -each.from_ms):
        ends_ms = report.period.to_ms if one.to_ms is None else one.to_ms
        sites = tuple(report.names[each] for each in one.site_ids if each in report.names)
        what = common_words(one, report)
        lasted = lasting(ends_ms - one.from_ms)
        lines.append(CommonLine(what, one.from_ms, one.to_ms, lasted, sites))
    return lines


def loss_words(losses: Sequence[Loss]) -> list[str]:
    """Return, gateway by gateway, how long it was lost and that no site is charged with it."""
    said = []
    for name in dict.fromkeys(loss.name for loss in losses):
        own = [loss for loss in losses if loss.name == name]
        together = lasting(sum(loss.to_ms - loss.from_ms for loss in own))
        times = "" if len(own) == 1 else f" in {len(own)} times"
        lasts = ", still lost" if any(loss.lasts for loss in own) else ""
        whose = plural(own[0].sites, "site")
        said.append(f"{name}: {together}{times}{lasts}, not counted against its {whose}")
    return said


# --- the whole --------------------------------------------------------------------------


def between_days(period: Period) -> str:
    """Return the days of a period: ``between 26 Oct and 25 Nov``, ``on 25 Nov``."""
    last = day_words(period.last)
    if period.first == period.last:
        return f"on {last}"
    first = day_words(period.first)
    if period.first.year != period.last.year:
        first = f"{first} {period.first.year}"
    return f"between {first} and {last}"


def headline(report: Report) -> str:
    """Return the whole network's contact in one sentence or two."""
    total, period = report.network, report.period
    if not total.whole:
        return f"Nobody was asked {between_days(report.period)}: there is no poll to count."
    asked = "1 site was" if report.asked == 1 else f"{report.asked} sites were"
    said = f"{asked} asked {number(total.whole)} times {between_days(report.period)}; "
    if total.low is None or total.high is None:
        return f"{said}{number(total.part)} polls were answered, too few to speak of a rate."
    said += f"{percent(total.share)} answered ({between(total.low, total.high)}, by hour blocks)"
    return f"{said}{_compared(report.change, period.before)}."


def _compared(change: Change | None, before: str) -> str:
    if change is None:
        return f"; there is too little of {before} to compare with"
    if not change.is_clear:
        return f", no clear change against {before}"
    better = "better" if change.middle > 0 else "worse"
    points = f"{100 * abs(change.middle):.1f}"
    if points == "0.0":
        points = f"{100 * abs(change.middle):.2f}"
    return f", {points} points {better} than {before}"


def apart(report: Report) -> list[str]:
    """Return what was held apart and is in no rate."""
    said = [f"Gateway lost: {words}." for words in loss_words(report.losses)]
    worked = [one for one in report.sites if one.now.maintenance_ms]
    if worked:
        together = lasting(sum(one.now.maintenance_ms for one in worked))
        said.append(f"Maintenance: {together} together at {_names(worked)}.")
    idle = [one for one in report.sites if one.idle_ms or not one.plan.is_polled]
    if idle:
        said.append(f"Not polled on purpose: {_names(idle, with_idle=True)}.")
    return said


def unknown(report: Report) -> list[str]:
    """Return what cannot be said, and of whom."""
    said = []
    if report.empty_days:
        days = plural(report.period.days, "day")
        said.append(f"No poll is recorded on {report.empty_days} of {days}.")
    few = [one for one in report.sites if one.now.counts.asked and not one.now.success.is_known]
    if few:
        said.append(f"{TOO_FEW.capitalize()} (under 100, or under 24 h): {_names(few)}.")
    blind = [one for one in report.sites if one.now.counts.asked and one.now.longest_gap_ms is None]
    if blind:
        said.append(f"Outages are not known one by one: {_names(blind)}.")
    return said


def _names(sites: Sequence[SiteReport], *, with_idle: bool = False) -> str:
    words = [
        f"{one.site.name} ({lasting(one.idle_ms)})" if with_idle and one.idle_ms else one.site.name
        for one in sites
    ]
    if len(words) > 8:
        words = [*words[:7], f"{len(words) - 7} more"]
    return ", ".join(words)

"""A site's reliability as figures in a table: the number, and what it rests on."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from tallymast.domain.health.comms.model import AnswerTimes, Share, SitePeriod
from tallymast.routes.formats import (
    GROUP,
    MINUS,
    between,
    fineness,
    lasting,
    number,
    percent,
    plural,
)
from tallymast.routes.reliability_periods import Order, Period
from tallymast.routes.reliability_report import Change, SiteReport

SHOWN: Final = 100  # outages on one page; the file and the site's own page have them all
TOO_FEW: Final = "too few polls for a rate"
NOT_ASKED: Final = "not asked"
HEADS: Final = (  # of the table, and the order each sorts by
    ("Site", "name"),
    ("Answered", "answered"),
    ("First try", "first-try"),
    ("Change", "change"),
    ("Outages", "outages"),
    ("Available", "down"),
    ("Fails, and is back", ""),
    ("Answer time, median / p95", "p95"),
    ("Missed in a row", ""),
)


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure as it stands in a cell: the number, and what it rests on."""

    words: str
    small: str = ""
    of: str = ""
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


# --- figures ----------------------------------------------------------------------------


def share_figure(share: Share) -> Figure:
    """Return a share with its interval and how many polls it is of."""
    if not share.whole:
        return Figure(NOT_ASKED, tone="off")
    asked = f"of {number(share.whole)}"
    if share.low is None or share.high is None:
        return Figure(TOO_FEW, of=f"{number(share.part)} {asked}", tone="off")
    return Figure(share_words(share), between(share.low, share.high), asked)


def share_words(share: Share) -> str:
    """Return a known share in per cent, as fine as its interval."""
    return percent(share.share, fineness(share.low or 0.0, share.high or 1.0))


def change_figure(change: Change | None, before: str) -> Figure:
    """Return how much a share moved, in points of a hundred, or that it did not clearly."""
    if change is None:
        return Figure("not known", f"nothing to compare in {before}", tone="off")
    decimals = fineness(change.low, change.high)
    ends = f"{points(change.low, decimals)} to {points(change.high, decimals)}"
    if not change.is_clear:
        return Figure("no clear change", ends, tone="off")
    tone = "watch" if change.middle < 0 else "calm"
    return Figure(f"{points(change.middle, decimals)} points", ends, tone=tone)


def points(part: float, decimals: int = 1) -> str:
    """Return a difference of shares in points of a hundred, with its sign: ``+0.3``."""
    text = f"{100 * part:+.{decimals}f}"
    return text.replace("-", MINUS) if text.strip("+-0.") else text[1:]


def outages_figure(period: SitePeriod) -> Figure:
    """Return how many outages, the longest and all together."""
    if period.longest_gap_ms is None:
        return Figure("unknown", tone="off")
    if not period.outages:
        return Figure("none")
    longest, together = lasting(period.longest_gap_ms), lasting(period.down_ms)
    if len(period.outages) == 1:
        return Figure("1", longest)
    return Figure(str(len(period.outages)), f"longest {longest}", f"together {together}")


def availability_figure(period: SitePeriod) -> Figure:
    """Return the share of its time in service in which a site was to be reached."""
    if period.availability is None:
        return Figure("unknown", tone="off")
    return Figure(percent(period.availability), of=f"of {lasting(period.in_service_ms)}")


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
    return Figure(f"{period.mean_burst:.1f}", of=f"of {number(period.counts.missed)} missed")


# --- rows -------------------------------------------------------------------------------


def row(one: SiteReport, period: Period) -> Row:
    """Return a site's row."""
    return Row(
        one.site.key,
        one.site.name,
        remark(one, period.days),
        share_figure(one.now.success),
        share_figure(one.now.first_try),
        change_figure(one.change, period.before),
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

"""Reliability in sentences: the whole, outages, common causes, what is apart, what is not known."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final

from tallymast.domain.health.comms.model import Cause, CommonCause, Outage
from tallymast.routes.formats import between, clock, lasting, number, plural
from tallymast.routes.log_book import Entry
from tallymast.routes.reliability_periods import Period, day_words
from tallymast.routes.reliability_report import Change, Loss, Report, SiteReport
from tallymast.routes.reliability_rows import NOT_ASKED, TOO_FEW, points, share_words

_NEAR_MS: Final = 3 * 3_600_000  # ours: a log-book entry so near an outage may tell of it
_NAMED: Final = 8


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
    notes: tuple[Entry, ...]


@dataclass(frozen=True, slots=True)
class CommonLine:
    """One common cause: what fell silent together, for how long, and who."""

    what: str
    from_ms: int
    to_ms: int | None
    lasted: str
    sites: tuple[tuple[str, str], ...]  # key, name


# --- outages and causes -----------------------------------------------------------------


def outage_lines(report: Report, limit: int | None, log: Sequence[Entry] = ()) -> list[OutageLine]:
    """Return the newest outages in words, with the log-book entries near each."""
    return [_outage_line(one, outage, report, log) for one, outage in report.outages[:limit]]


def _outage_line(
    one: SiteReport, outage: Outage, report: Report, log: Sequence[Entry]
) -> OutageLine:
    period = report.period
    return OutageLine(
        one.site.key,
        one.site.name,
        outage,
        lasting(outage.lasted_ms(period.to_ms)),
        "lasts" if period.goes_on else "past the end of the period",
        _cause_words(one, outage, report),
        "" if outage.last_answer_ms is not None else "the answer before it is not known",
        tuple(entry for entry in log if _is_near(entry, outage, period)),
    )


def _cause_words(one: SiteReport, outage: Outage, report: Report) -> str:
    if outage.cause is Cause.SUPPLY:
        return "supply: the station had no power"
    if outage.cause is Cause.ALONE:
        return "alone: nothing else fell silent with it"
    for common in report.common:
        overlaps = common.to_ms is None or outage.from_ms < common.to_ms
        ends = outage.to_ms is None or outage.to_ms > common.from_ms
        if one.plan.site_id in common.site_ids and overlaps and ends:
            return f"common cause: {common_words(common, report)}"
    return "common cause: others fell silent with it"


def _is_near(entry: Entry, outage: Outage, period: Period) -> bool:
    ends_ms = period.to_ms if outage.to_ms is None else outage.to_ms
    return outage.from_ms - _NEAR_MS <= entry.at_ms <= ends_ms + _NEAR_MS


def common_words(common: CommonCause, report: Report) -> str:
    """Return what sites that fell silent together share."""
    gateway = report.gateway_names.get(common.gateway, common.gateway)
    if common.kind == "path":
        return f"{report.names[common.site_ids[0]][1]} and what is behind it"
    if common.kind == "bearing" and common.bearing_deg is not None:
        first, last = (round(edge) % 360 for edge in common.bearing_deg)
        return f"one direction, {first}° to {last}° from {gateway}"
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
    said += f"{share_words(total)} answered ({between(total.low, total.high)}, by hour blocks)"
    return f"{said}{_compared(report.change, period.before)}."


def site_headline(one: SiteReport, report: Report) -> str:
    """Return one site's contact in one sentence."""
    now, when = one.now, between_days(report.period)
    if not now.counts.asked:
        return f"{one.site.name} was {NOT_ASKED} {when}: nothing can be said of its contact."
    said = f"{one.site.name} was asked {number(now.counts.asked)} times {when}; "
    if now.success.low is None or now.success.high is None:
        return f"{said}{number(now.counts.answered)} polls were answered: {TOO_FEW}."
    ends = between(now.success.low, now.success.high)
    said += f"{share_words(now.success)} answered ({ends})"
    return f"{said}{_compared(one.change, report.period.before)}."


def span_words(period: Period, zone: tzinfo, now_ms: int) -> str:
    """Return when a period and the one before it begin and end, on the wall clock."""
    begin, end, before = (
        _moment(at_ms, now_ms, zone) for at_ms in (period.from_ms, period.to_ms, period.before_ms)
    )
    whole = f"{period.words[0].upper()}{period.words[1:]}: {begin} to {end}"
    running = " (the last day counts as far as it has gone)" if period.goes_on else ""
    return f"{whole}{running}, against {period.before} from {before}. Whole contract days, {zone}."


def _moment(at_ms: int, now_ms: int, zone: tzinfo) -> str:
    words = clock(at_ms, now_ms, zone)
    return words if " " in words else f"{words} today"


def _compared(change: Change | None, before: str) -> str:
    if change is None:
        return f"; there is too little of {before} to compare with"
    if not change.is_clear:
        return f", no clear change against {before}"
    better = "better" if change.middle > 0 else "worse"
    moved = points(abs(change.middle), 1 if abs(change.middle) >= 0.0005 else 2).lstrip("+")
    return f", {moved} points {better} than {before}"


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
    said.extend(report.lost)
    every, known = report.before_days
    if 0 < known < every:
        said.append(f"Of {report.period.before} {known} of {plural(every, 'day')} have a record.")
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
    if len(words) > _NAMED:
        words = [*words[: _NAMED - 1], f"{len(words) - _NAMED + 1} more"]
    return ", ".join(words)

"""Pictures of contact: shares by hour, by hour of the local day, and answers that came spoiled."""

from typing import Final

import numpy as np
from sqlalchemy import Connection

from tallymast.domain.model import SitePlan
from tallymast.domain.record.rollups import HOUR_MS
from tallymast.routes.drive_drawings import HourOfDay, by_local_hour
from tallymast.routes.evidence_picture import Drawn, Ints, Line, Pane, Picture, Told, Wanted, breaks
from tallymast.routes.evidence_told import share_told, worst_hour_words
from tallymast.storage.contact_series import ContactSeries, hour_contact
from tallymast.storage.spoiled import NOT_SPOILED, spoiled_hours

_DAY_MS: Final = 24 * HOUR_MS
# Ours: what a window is compared with: as many days as it has, at least a week, at most four.
_LEAST_BEFORE_MS, _MOST_BEFORE_MS = 7 * _DAY_MS, 28 * _DAY_MS


Contacts = tuple[tuple[SitePlan, ContactSeries], ...]


def contacts(conn: Connection, what: Wanted) -> Contacts:
    """Return the contact of each site that is shown, by hour."""
    return tuple(
        (plan, hour_contact(conn, plan.site_id, *what.span, times=False)) for plan in what.sites
    )


def contact_picture(conn: Connection, what: Wanted) -> Picture:
    """Return the share of polls answered at the first try and at all, by hour."""
    known = contacts(conn, what)
    first, answered = first_try_pane(what, known), _answered_pane(what, known)
    if what.are_several:
        panes: tuple[Pane, ...] = (first, answered)
    else:
        panes = (Pane("Answered", "%", (*first.lines, *answered.lines)),)
    return Picture(
        "Share of polls answered, by hour",
        panes,
        what.span,
        contact_told(what, known),
        what.parts,
        what.chart.marks,
        missing=tuple(
            f"{plan.site.name} was not asked in this span."
            for plan, series in known
            if not len(series)
        ),
    )


def first_try_pane(what: Wanted, known: Contacts) -> Pane:
    """Return the pane of polls answered at the first try, a line a site."""
    lines = [
        share_line(
            plan.site.name if what.are_several else "at the first try",
            series,
            series.first_try,
            place,
        )
        for place, (plan, series) in enumerate(known)
    ]
    return Pane("Answered at the first try", "%", tuple(lines))


def _answered_pane(what: Wanted, known: Contacts) -> Pane:
    lines = [
        share_line(
            plan.site.name if what.are_several else "at all",
            series,
            series.answered,
            place if what.are_several else 1,
        )
        for place, (plan, series) in enumerate(known)
    ]
    return Pane("Answered at all", "%", tuple(lines))


def contact_told(what: Wanted, known: Contacts, *, at_all: bool = True) -> tuple[Told, ...]:
    """Return the shares of each site in words, where wanted also of polls answered at all."""
    told = []
    for plan, series in known:
        whose = f"{plan.site.name}: answered" if what.are_several else "Answered"
        shares = [("at the first try", series.first_try), ("at all", series.answered)]
        for word, parts in shares if at_all else shares[:1]:
            told.append(share_told(f"{whose} {word}", series, parts, what.since_ms))
    return tuple(told)


def share_line(name: str, series: ContactSeries, parts: Ints, place: int) -> Line:
    """Return a line in per cent of the polls asked; hours nobody asked in are gaps."""
    where = breaks(series.at_ms)
    at_ms = series.at_ms + HOUR_MS // 2
    shares = 100.0 * parts / np.maximum(series.asked, 1)
    return Line(
        name,
        np.insert(at_ms, where, at_ms[where - 1] + HOUR_MS),
        np.insert(shares.astype(np.float64), where, np.nan),
        place=place,
        of=np.insert(series.asked, where, 0),
    )


# --- by hour of the local day ---------------------------------------------------------------


def day_picture(conn: Connection, what: Wanted) -> Picture:
    """Return the share of first tries lost by hour of the local day, inside the span and before."""
    begin_ms = max(what.span[0], min(what.one.since_ms, what.span[1] - HOUR_MS))
    before_ms = min(max(what.span[1] - begin_ms, _LEAST_BEFORE_MS), _MOST_BEFORE_MS)
    spans = ((begin_ms - before_ms, begin_ms), (begin_ms, what.span[1]))
    panes, told = [], []
    for plan in what.sites:
        before, since = (hour_contact(conn, plan.site_id, *span, times=False) for span in spans)
        panes.append(_day_pane(what, plan, before, since))
        told.append(
            Told(
                plan.site.name if what.are_several else "First try lost",
                _lost_words(what, before),
                _lost_words(what, since),
            )
        )
    return Picture(
        "Share of polls not answered at the first try, by hour of the local day",
        tuple(panes),
        spans[1],
        tuple(told),
        (spans[0][0], begin_ms),
        by_hour=True,
        window=_window(what),
    )


def _day_pane(what: Wanted, plan: SitePlan, before: ContactSeries, since: ContactSeries) -> Pane:
    lines = (
        _day_line("since then", by_hour_of_day(since, what), Drawn.BARS, 0),
        _day_line("before", by_hour_of_day(before, what), Drawn.LINE, 1),
    )
    title = plan.site.name if what.are_several else "First try lost"
    return Pane(title, "%", lines, from_zero=True)


def by_hour_of_day(series: ContactSeries, what: Wanted) -> tuple[HourOfDay, ...]:
    """Return the share of first tries lost in each hour of the day, every day counting alike."""
    lost = series.asked - series.first_try
    cells = np.column_stack([series.asked, series.first_try, lost])
    return by_local_hour(series.at_ms, cells, what.zone)


def _day_line(name: str, day: tuple[HourOfDay, ...], drawn: Drawn, place: int) -> Line:
    shares = [100 * hour.missed if hour.days else np.nan for hour in day]
    days = np.array([hour.days for hour in day], np.int64)
    return Line(name, np.arange(24, dtype=np.float64) + 0.5, np.array(shares), drawn, place, days)


def _lost_words(what: Wanted, series: ContactSeries) -> str:
    lost = share_told("", series, series.asked - series.first_try, None).since
    worst = worst_hour_words(by_hour_of_day(series, what))
    return f"{lost}; {worst}" if worst else lost


def _window(what: Wanted) -> tuple[float, float] | None:
    """Return the hours to shade: the chart's two levels, as hours of the local day."""
    hours = [hour for hour, _ in what.chart.levels]
    return (hours[0], hours[1]) if len(hours) == 2 else None


# --- spoiled answers ------------------------------------------------------------------------


def garbled_picture(conn: Connection, what: Wanted) -> Picture:
    """Return how many polls of each hour ended garbled, and how many were refused."""
    spoiled = spoiled_hours(conn, *what.span)
    panes, told = [], []
    for plan, series in contacts(conn, what):
        found = spoiled.get(plan.site_id, NOT_SPOILED)
        lines = []
        for place, (word, by_hour) in enumerate(
            (("garbled", found.garbled), ("refused", found.refused))
        ):
            counts = _counts(series, by_hour)
            at_ms = series.at_ms + HOUR_MS // 2
            lines.append(
                Line(word, at_ms, counts.astype(np.float64), Drawn.BARS, place, series.asked)
            )
            name = f"{plan.site.name}: {word}" if what.are_several else word.capitalize()
            told.append(share_told(name, series, counts, what.since_ms))
        title = plan.site.name if what.are_several else "Spoiled"
        panes.append(Pane(title, "polls an hour", tuple(lines), from_zero=True))
    caption = "Polls that ended garbled, and polls refused, by hour"
    return Picture(caption, tuple(panes), what.span, tuple(told), what.parts, what.chart.marks)


def _counts(series: ContactSeries, known: dict[int, int]) -> Ints:
    """Return the spoiled polls of each hour somebody asked in; 0 where none was."""
    return np.array([known.get(hour_ms, 0) for hour_ms in series.at_ms.tolist()], np.int64)

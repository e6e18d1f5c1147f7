"""What a site's own page shows, worked out; templates only write it down."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tallymast.domain.health.attention import Standing, number_of
from tallymast.domain.modbus.layouts import registers_needed
from tallymast.domain.model import (
    Chemistry,
    Job,
    JobState,
    Outcome,
    Point,
    PointKind,
    Poll,
    PollFlag,
    SiteStatus,
    Supply,
    SupplyKind,
    WordLayout,
)
from tallymast.routes.day import NOTHING, SiteDay
from tallymast.routes.formats import value_words
from tallymast.routes.nights import Gauge, Spark, draw_gauge
from tallymast.routes.rows import Mark, mark_of, remark_of, supply_tone, tone_of
from tallymast.routes.tape import Tape

POLLS_SHOWN = 25
JOB_SHOWN_MS = 600_000

_CHARTED = (
    PointKind.SUPPLY_VOLTAGE,
    PointKind.ANALOG_INPUT,
    PointKind.RATE,
    PointKind.TOTALIZER,
    PointKind.TEMPERATURE,
    PointKind.SIGNAL,
)


@dataclass(frozen=True, slots=True)
class SiteHead:
    """Name, state and last contact."""

    mark: Mark
    since_ms: int | None
    last_answer_ms: int | None
    missed_in_row: int
    probe_s: float | None
    pause: str


@dataclass(frozen=True, slots=True)
class SupplyPanel:
    """The supply: now, before dawn, and against what it is judged."""

    words: str
    tone: str
    remark: str
    kind: str
    gauge: Gauge
    spark: Spark
    nights: int


@dataclass(frozen=True, slots=True)
class ContactPanel:
    """The last 24 h of polls."""

    tape: Tape
    asked: int
    answered: int
    first_try: int


@dataclass(frozen=True, slots=True)
class PointRow:
    """One point's newest reading."""

    tag: str
    name: str
    words: str
    tone: str
    remark: str
    reason: str
    at_ms: int | None
    place: str


@dataclass(frozen=True, slots=True)
class PollRow:
    """One poll in words."""

    at_ms: int
    mark: Mark
    tries: int
    answer_ms: float | None
    remark: str


@dataclass(frozen=True, slots=True)
class JobLine:
    """Where the newest demanded poll stands; empty words: there is none to tell of."""

    words: str
    asked_ms: int | None
    is_over: bool
    progress: float | None = None  # of a desk test that goes on


def site_head(standing: Standing, day: SiteDay = NOTHING) -> SiteHead:
    """Return the head of a site's page."""
    state = standing.state
    return SiteHead(
        mark_of(standing),
        state.since_ms if state else None,
        state.last_answer_ms if state else None,
        state.missed_in_row if state else 0,
        state.probe_s if state else None,
        day.pause if standing.status is SiteStatus.NOT_POLLED else "",
    )


def contact_panel(standing: Standing, day: SiteDay) -> ContactPanel | None:
    """Return a site's last 24 h of polls, None where nobody asked."""
    counts = day.counts
    if not counts.asked:
        return None
    return ContactPanel(day.tape, counts.asked, counts.answered, counts.first_try)


def supply_panel(standing: Standing, day: SiteDay, tone: str = "") -> SupplyPanel | None:
    """Return a site's supply, None where it reports none; ``tone`` is its nights' (rows.Need)."""
    site = standing.plan.site
    point = site.point_of(PointKind.SUPPLY_VOLTAGE)
    if point is None:
        return None
    reading = standing.readings.get(point.tag)
    tone = supply_tone(standing, reading, tone)
    known = number_of(reading)
    return SupplyPanel(
        value_words(reading, point),
        tone,
        remark_of(standing, reading),
        supply_make(site.supply),
        draw_gauge(known, day.predawn_v, site.supply, tone),
        day.spark,
        day.nights,
    )


def supply_make(supply: Supply | None) -> str:
    """Return what a supply is made of, ``Solar 20 W, AGM 33 Ah, fitted 1 May 2022``."""
    if supply is None:
        return ""
    parts = [_KINDS[supply.kind]]
    if supply.panel_w:
        parts[0] += f" {supply.panel_w:g}\u00a0W"
    battery = _CHEMISTRIES.get(supply.chemistry, "") if supply.chemistry else ""
    if supply.capacity_ah:
        battery = f"{battery} {supply.capacity_ah:g}\u00a0Ah".strip()
    parts.append(f"{battery} at {supply.nominal_v:g}\u00a0V".strip())
    if supply.installed:
        parts.append(f"fitted {supply.installed:%Y-%m-%d}")
    return ", ".join(parts)


_KINDS = {
    SupplyKind.SOLAR: "Solar",
    SupplyKind.MAINS_WITH_BATTERY: "Mains with battery",
    SupplyKind.MAINS: "Mains",
    SupplyKind.PRIMARY: "Primary pack",
}
_CHEMISTRIES = {
    Chemistry.FLOODED: "flooded lead-acid",
    Chemistry.AGM: "AGM",
    Chemistry.GEL: "gel",
    Chemistry.LIFEPO4: "LiFePO4",
    Chemistry.LITHIUM_PRIMARY: "lithium",
}


def point_rows(standing: Standing) -> tuple[PointRow, ...]:
    """Return a row for every point, in the order of the network file."""
    return tuple(_point_row(standing, point) for point in standing.plan.site.points)


def _point_row(standing: Standing, point: Point) -> PointRow:
    reading = standing.readings.get(point.tag)
    remark = remark_of(standing, reading)
    is_old = remark in ("last", "stale")  # its age stands beside it
    return PointRow(
        point.tag,
        point.name,
        value_words(reading, point),
        tone_of(standing, point, reading),
        remark,
        "" if is_old else reading.reason if reading else "not read yet",
        reading.at_ms if reading else None,
        place_of(point),
    )


def place_of(point: Point) -> str:
    """Return where a point lies on the wire, as ``input 4–5, uint32``."""
    if point.bit is not None:
        return f"{point.table.value} {point.register}, bit {point.bit}"
    if point.table.holds_bits:
        return f"{point.table.value} {point.register}"
    last = point.register + registers_needed(point.layout, point.length) - 1
    span = f"{point.register}" if last == point.register else f"{point.register}–{last}"
    return f"{point.table.value} {span}, {point.layout.value}"


def charted(points: Iterable[Point]) -> tuple[Point, ...]:
    """Return the points worth a chart, the supply first."""
    some = [
        point
        for point in points
        if point.kind in _CHARTED and point.layout is not WordLayout.TEXT and point.bit is None
    ]
    return tuple(sorted(some, key=lambda point: _CHARTED.index(point.kind)))


_POLL_MARKS = {
    Outcome.FIRST_TRY: Mark("first try", "disc", "calm"),
    Outcome.RETRIED: Mark("after a retry", "disc", "calm"),
    Outcome.NO_ANSWER: Mark("no answer", "octagon", "act"),
    Outcome.GARBLED: Mark("garbled", "triangle", "watch"),
    Outcome.GATEWAY_LOST: Mark("gateway lost", "square", "off"),
}


def poll_rows(polls: Sequence[Poll], most: int = POLLS_SHOWN) -> tuple[PollRow, ...]:
    """Return the newest polls in words, the newest first."""
    newest = sorted(polls, key=lambda poll: -poll.at_ms)[:most]
    return tuple(
        PollRow(poll.at_ms, _POLL_MARKS[poll.outcome], poll.tries, poll.answer_ms, _remark(poll))
        for poll in newest
    )


def _remark(poll: Poll) -> str:
    parts = []
    if PollFlag.DEMAND in poll.flags:
        parts.append("asked by a person")
    if PollFlag.PROBE in poll.flags:
        parts.append("probe")
    if PollFlag.SUSPECT in poll.flags:
        parts.append("an answer came late")
    if PollFlag.REFUSED in poll.flags:
        parts.append(f"refused part of it (exception {poll.code:02X})")
    if PollFlag.MAINTENANCE in poll.flags:
        parts.append("in maintenance")
    return ", ".join(parts)


def job_line(jobs: Iterable[Job], site_id: int, now_ms: int) -> JobLine:
    """Return where the newest demanded poll of a site stands."""
    mine = [job for job in jobs if job.site_id == site_id and now_ms - job.asked_ms < JOB_SHOWN_MS]
    if not mine:
        return JobLine("", None, is_over=True)
    job = max(mine, key=lambda one: one.id)
    words = {
        JobState.WAITING: "Waits for its turn on the channel.",
        JobState.RUNNING: job.result or "Is being asked now.",
    }.get(job.state, job.result)
    is_over = job.state in (JobState.DONE, JobState.FAILED)
    goes_on = job.kind == "desk-test" and job.state is JobState.RUNNING
    return JobLine(words, job.asked_ms, is_over, round(job.progress, 3) if goes_on else None)

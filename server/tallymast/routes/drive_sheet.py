"""What *Before you drive* shows of a site, read and worked out; templates only write it down."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup
from sqlalchemy import Connection

from tallymast.domain.health.attention import Needs, Standing
from tallymast.domain.health.diagnosis.lacking import lacking
from tallymast.domain.health.diagnosis.model import Diagnosis, Shown
from tallymast.domain.health.findings import Finding
from tallymast.domain.health.site_health import NOT_JUDGED, SiteHealth
from tallymast.domain.health.visit import Seen, advice
from tallymast.domain.leaving import Leaving, still_out
from tallymast.domain.life.bringing import DueTask
from tallymast.domain.model import (
    Job,
    JobState,
    Point,
    PointKind,
    Quality,
    Site,
    SitePlan,
)
from tallymast.domain.orders.model import TagOut
from tallymast.domain.record.days import Contract
from tallymast.domain.visit_cautions import Caution, general_cautions, needs_gas_monitor
from tallymast.routes.cause_lines import needs_now
from tallymast.routes.cause_words import cause_words
from tallymast.routes.day import NOTHING, Days
from tallymast.routes.drive_parts import ContactPart, SupplyPart, contact_part, supply_part
from tallymast.routes.evidence_reading import evidence_spark
from tallymast.routes.evidence_view import CONFIDENCE_MARKS
from tallymast.routes.life.tasks_page import due_at
from tallymast.routes.orders.order_words import NO_LOCK
from tallymast.routes.plot import way_of
from tallymast.routes.rows import Mark, main_points, mark_of
from tallymast.routes.sentences import sentence
from tallymast.routes.services import NetworkView, Services
from tallymast.routes.site_rows import (
    JobLine,
    PointRow,
    SiteHead,
    job_line,
    point_rows,
    site_head,
)
from tallymast.routes.standings import Standings
from tallymast.routes.still_clock import StillClock
from tallymast.routes.visit_kit import kit
from tallymast.routes.visit_sentences import (
    advice_mark,
    advice_words,
)
from tallymast.storage import hardware, jobs, notes, tag_outs

POINTS_SHOWN: Final = 7
NOTES_SHOWN: Final = 4
FINDINGS_SHOWN: Final = 5
CAUSES_SHOWN: Final = 2
_NOT_DRAWN: Final = (Shown.SIGNAL, Shown.POINT, Shown.COUNTS, Shown.GARBLED)
_KINDS: Final = (
    PointKind.SIGNAL,
    PointKind.TEMPERATURE,
    PointKind.DISCRETE_OUTPUT,
    PointKind.ANALOG_OUTPUT,
    PointKind.DISCRETE_INPUT,
)


@dataclass(frozen=True, slots=True)
class Before:
    """A repeater that carries a site: its name, state and last answer."""

    key: str
    name: str
    mark: Mark
    last_answer_ms: int | None


@dataclass(frozen=True, slots=True)
class CausePart:
    """A probable cause: how sure, what it is, the check that decides, its chart if room is."""

    mark: Mark
    title: str
    decides: Markup
    href: str
    spark: Markup


@dataclass(frozen=True, slots=True)
class Sheet:
    """One whole sheet."""

    site: Site
    mark: Mark
    why: Markup
    head: SiteHead
    way: str
    before: tuple[Before, ...]
    supply: SupplyPart
    contact: ContactPart
    findings: tuple[tuple[bool, Markup], ...]
    more_findings: int
    causes: tuple[CausePart, ...]
    lacking: tuple[str, ...]
    points: tuple[PointRow, ...]
    desk: JobLine
    desk_done_ms: int | None
    notes: tuple[notes.Note, ...]
    out: tuple[Leaving, ...]
    due: tuple[DueTask, ...]
    kit: tuple[str, ...]
    cautions: tuple[Caution, ...]
    gas: bool
    tags: tuple[tuple[str, TagOut], ...]
    no_lock: str = NO_LOCK


def read_sheet(
    given: Services, standings: Standings, days: Days, plan: SitePlan, clock: StillClock
) -> Sheet:
    """Return what is to be known before driving to a site."""
    everyone = standings.now()
    standing = everyone[plan.site_id]
    network = given.network()
    needed = needs_now(given, everyone)
    found = needed.of(plan.site.key)
    causes = _causes(needed, plan)
    health = given.health().get(plan.site_id, NOT_JUDGED)
    contract = Contract(network.contract_zone, network.contract_hour)
    with given.database.reading() as connection:
        supply = supply_part(connection, standing, health, clock)
        contact = contact_part(connection, standing, health, clock, contract)
        job = _newest_test(connection, given, plan.site_id)
        log = notes.of_site(connection, plan.site_id)
        fitted = hardware.fitted(connection, plan.site_id)
        spares = hardware.in_store(connection)
        due = due_at(connection, given, plan)
        tags = tag_outs.hanging(connection, plan.site_id)
        parts = _cause_parts(connection, network, causes, clock, plan.site_id)
    told = advice(_seen(standing, found, health, clock))
    carries = any(one.site.via == plan.site.key for one in network.sites)
    return Sheet(
        site=plan.site,
        mark=advice_mark(told),
        why=advice_words(told, clock),
        head=site_head(standing, days.upto(clock.now_ms).get(plan.site_id, NOTHING)),
        way=_way(given, plan),
        before=_before(given, everyone.values(), plan.site),
        supply=supply,
        contact=contact,
        findings=tuple((f.act, sentence(f, clock)) for f in found[:FINDINGS_SHOWN]),
        more_findings=max(len(found) - FINDINGS_SHOWN, 0),
        causes=parts,
        lacking=lacking(plan.site, health),
        points=_points(standing),
        desk=_desk_line(job, clock.now_ms),
        desk_done_ms=job.done_ms if job else None,
        notes=_visits(log),
        out=still_out([(n.at_ms, n.text) for n in log if n.kind == "visit"], clock.now_ms),
        due=tuple(due),
        kit=kit(plan.site, found, health, causes, fitted, spares, due),
        cautions=general_cautions(plan.site, carries),
        gas=needs_gas_monitor(plan.site),
        tags=tuple((_hangs_on(plan.site, one), one) for one in tags),
    )


def _hangs_on(site: Site, tag: TagOut) -> str:
    point = site.point(tag.tag) if tag.tag else None
    return f"{point.name} ({tag.tag})" if point else tag.tag or "The whole site"


def _causes(needed: Needs, plan: SitePlan) -> list[Diagnosis]:
    """Return the causes named at a site, or at what carries it, the surest first."""
    found = [one for f in needed.of(plan.site.key) for one in needed.causes.get(f.key, ())]
    return sorted(found, key=lambda one: -one.score)


def _cause_parts(
    connection: Connection,
    network: NetworkView,
    causes: Sequence[Diagnosis],
    clock: StillClock,
    site_id: int,
) -> tuple[CausePart, ...]:
    """Return the surest causes; the first that the sheet draws nothing else of has its chart."""
    drawn = next((one for one in causes[:CAUSES_SHOWN] if one.chart.shown in _NOT_DRAWN), None)
    parts = []
    for one in causes[:CAUSES_SHOWN]:
        spark = Markup("")
        if one is drawn:
            spark = evidence_spark(connection, network, one, clock.now_ms, site_id)
        title = " or ".join([one.title, *one.rivals])
        decides = cause_words(one.decides, clock)
        mark = CONFIDENCE_MARKS[one.confidence]
        parts.append(CausePart(mark, title, decides, f"/findings/{one.key}", spark))
    return tuple(parts)


def _seen(
    standing: Standing, found: Sequence[Finding], health: SiteHealth, clock: StillClock
) -> Seen:
    return Seen(
        standing.plan.site,
        standing.status,
        found,
        health,
        clock.minute,
        clock.now_ms,
        standing.waits,
        standing.checked.unknown,
    )


def _way(given: Services, plan: SitePlan) -> str:
    way = way_of(given.network().gateway_of(plan.site_id), plan.site)
    return way.words if way else ""


def _before(given: Services, everyone: Iterable[Standing], site: Site) -> tuple[Before, ...]:
    """Return the repeaters between a site and its gateway, the nearest to it first."""
    by_key = {one.plan.site.key: one for one in everyone}
    found: list[Before] = []
    via = site.via
    while via in by_key and len(found) < given.network().hops(site):
        one = by_key[via]
        last_ms = one.state.last_answer_ms if one.state else None
        found.append(Before(via, one.plan.site.name, mark_of(one), last_ms))
        via = one.plan.site.via
    return tuple(found)


# --- points, desk test, log ---------------------------------------------------------------------


def _points(standing: Standing) -> tuple[PointRow, ...]:
    """Return the points that matter before a drive; those with a finding first."""
    accused = {f.point.tag for f in standing.findings if hasattr(f, "point")}
    wanted = [*accused, *(point.tag for point in main_points(standing.plan.site.points))]
    others = [p for kind in _KINDS for p in standing.plan.site.points if p.kind is kind]
    wanted += [point.tag for point in others if _matters(standing, point)]
    order = {tag: n for n, tag in reversed(list(enumerate(wanted)))}
    rows = [row for row in point_rows(standing) if row.tag in order]
    return tuple(sorted(rows, key=lambda row: order[row.tag])[:POINTS_SHOWN])


def _matters(standing: Standing, point: Point) -> bool:
    if point.kind is not PointKind.DISCRETE_INPUT:
        return True
    reading = standing.readings.get(point.tag)
    return point.alarm_when is not None or (reading is not None and reading.quality is Quality.NONE)


def _newest_test(connection: Connection, given: Services, site_id: int) -> Job | None:
    stored = jobs.newest_of_site(connection, "desk-test", site_id)
    if stored is None or stored.state in (JobState.DONE, JobState.FAILED):
        return stored
    return given.live.jobs().get(stored.id, stored)  # how far it is is not stored


def _desk_line(job: Job | None, now_ms: int) -> JobLine:
    if job is None:
        return JobLine("", None, is_over=True)
    if job.state in (JobState.DONE, JobState.FAILED):
        return JobLine(job.result, job.asked_ms, is_over=True)
    return job_line([job], job.site_id or 0, min(now_ms, job.asked_ms))


def desk_line(given: Services, plan: SitePlan) -> tuple[JobLine, int | None]:
    """Return where the newest desk test of a site stands, and when it ended [ms]."""
    with given.database.reading() as connection:
        job = _newest_test(connection, given, plan.site_id)
    return _desk_line(job, given.now_ms()), job.done_ms if job else None


def _visits(log: Sequence[notes.Note]) -> tuple[notes.Note, ...]:
    """Return the newest notes; repairs and visits before what was only seen."""
    visits = [note for note in log if note.kind in ("visit", "repair")]
    others = [note for note in log if note.kind not in ("visit", "repair")]
    return tuple([*visits, *others][:NOTES_SHOWN])

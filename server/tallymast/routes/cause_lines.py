"""A line of a page for each finding: what is so, the probable cause behind it, and the evidence."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from tallymast.domain.health.attention import Needs, Standing, needs
from tallymast.domain.health.diagnosis.model import Diagnosis
from tallymast.domain.health.findings import (
    Finding,
    OfPoint,
    OfSite,
    SupplyBelowDisconnect,
    SupplyNearDisconnect,
)
from tallymast.domain.health.judged import SupplyJudged
from tallymast.domain.model import GatewayPlan, PointKind
from tallymast.routes.cause_words import cause_words
from tallymast.routes.evidence_view import CONFIDENCE_MARKS
from tallymast.routes.formats import Clock
from tallymast.routes.rows import Mark
from tallymast.routes.sentences import sentence
from tallymast.routes.services import Services
from tallymast.routes.site_rows import charted


@dataclass(frozen=True, slots=True)
class Why:
    """The probable cause of what a line tells: how sure, which, and where its evidence is."""

    mark: Mark
    words: Markup
    href: str


@dataclass(frozen=True, slots=True)
class Line:
    """One cause, worded."""

    key: str
    text: Markup
    act: bool
    new: bool = False  # not there in the round before
    why: tuple[Why, ...] = ()
    href: str = ""  # of the chart that shows it, where no cause is named


def needs_now(
    given: Services,
    standings: Mapping[int, Standing],
    gateways: Sequence[GatewayPlan] | None = None,
) -> Needs:
    """Return what calls for a person now, of the whole network or of some gateways."""
    network = given.network()
    return needs(
        network.gateways if gateways is None else gateways,
        given.live.gateways(),
        standings,
        given.health(),
        given.began(),
        given.causes(),
    )


def line_of(finding: Finding, causes: Sequence[Diagnosis], clock: Clock, new: bool = False) -> Line:
    """Return the line that tells a finding and its causes."""
    why = tuple(why_of(one, clock) for one in causes)
    return Line(
        finding.key,
        sentence(finding, clock),
        finding.act,
        new,
        why,
        "" if why else _chart_of(finding),
    )


def why_of(one: Diagnosis, clock: Clock) -> Why:
    """Return a cause as it stands behind a finding."""
    return Why(
        CONFIDENCE_MARKS[one.confidence], cause_words(one.advice, clock), f"/findings/{one.key}"
    )


def _chart_of(finding: Finding) -> str:
    """Return where the chart is that shows a finding without a named cause, empty: nowhere."""
    if isinstance(finding, OfPoint):
        is_drawn = finding.point in charted(finding.site.points)
        place = f"chart-{finding.point.tag}" if is_drawn else "charts-title"
        return f"/sites/{finding.site.key}#{place}"
    if isinstance(finding, SupplyJudged | SupplyBelowDisconnect | SupplyNearDisconnect):
        point = finding.site.point_of(PointKind.SUPPLY_VOLTAGE)
        return f"/sites/{finding.site.key}#chart-{point.tag}" if point else ""
    if isinstance(finding, OfSite):
        return f"/sites/{finding.site.key}#chart-contact"
    return ""

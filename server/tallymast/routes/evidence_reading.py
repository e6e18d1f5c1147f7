"""Reads what a finding's chart shows, and gives it as a figure or a small drawing."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Final

from markupsafe import Markup
from sqlalchemy import Connection

from tallymast.domain.health.diagnosis.model import Diagnosis, Shown
from tallymast.routes.evidence_contact import contact_picture, day_picture, garbled_picture
from tallymast.routes.evidence_picture import Picture, Wanted, wanted
from tallymast.routes.evidence_points import (
    counts_picture,
    point_picture,
    signal_picture,
)
from tallymast.routes.evidence_spark import sparks
from tallymast.routes.evidence_supply import volts_picture
from tallymast.routes.services import NetworkView

DAY_MS: Final = 86_400_000
_READ: Final[Mapping[Shown, Callable[[Connection, Wanted], Picture]]] = {
    Shown.VOLTS: volts_picture,
    Shown.CONTACT: contact_picture,
    Shown.SIGNAL: signal_picture,
    Shown.DAY: day_picture,
    Shown.GARBLED: garbled_picture,
    Shown.POINT: point_picture,
    Shown.COUNTS: counts_picture,
}


def read_picture(
    conn: Connection, network: NetworkView, one: Diagnosis, now_ms: int, ended_ms: int | None = None
) -> tuple[Picture, Wanted]:
    """Return what a finding's chart shows, of one that is over also the day after.

    Args:
        conn: a reading connection.
        network: where its sites are.
        one: the finding.
        now_ms: now.
        ended_ms: when it was named last; None: it is named now.

    """
    if ended_ms is not None:
        marks = (*one.chart.marks, (ended_ms, "named last"))
        one = replace(one, chart=replace(one.chart, marks=marks))
        now_ms = min(now_ms, ended_ms + DAY_MS)
    what = wanted(network, one, now_ms)
    return _READ[one.chart.shown](conn, what), what


def evidence_spark(
    conn: Connection, network: NetworkView, one: Diagnosis, now_ms: int, site_id: int | None = None
) -> Markup:
    """Return a finding's chart as one small SVG of 300 × 60; empty where there is nothing to draw.

    Of several panes the first that shows anything.

    Args:
        conn: a reading connection.
        network: where its sites are.
        one: the finding.
        now_ms: the end of the chart.
        site_id: of the sites it accuses only this one; None: all.

    """
    if site_id is not None:
        one = replace(one, site_ids=(site_id,))
    picture, what = read_picture(conn, network, one, now_ms)
    drawn = sparks(picture, what.zone, spark_words(picture))
    return drawn[0][1] if drawn else Markup("")


def spark_words(picture: Picture) -> str:
    """Return what a picture shows as one line, for who does not see it."""
    told = [
        f"{one.name}: before {one.before}; since {one.since}"
        if one.before
        else f"{one.name}: {one.since}"
        for one in picture.told
    ]
    return ". ".join([picture.caption, *told])

"""What the page of one finding shows: what is named and why, its chart in words, what to do."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup
from sqlalchemy import Connection

from tallymast.domain.health.diagnosis.model import Confidence, Diagnosis, Said
from tallymast.domain.model import Gateway, Site
from tallymast.routes.cause_words import cause_words
from tallymast.routes.evidence_figure import needs_symbols
from tallymast.routes.evidence_picture import Drawn, Line, Picture, Told, Wanted
from tallymast.routes.evidence_reading import read_picture
from tallymast.routes.evidence_spark import sparks
from tallymast.routes.formats import MINUS, Clock, lasting
from tallymast.routes.rows import Mark
from tallymast.routes.services import NetworkView

CONFIDENCE_MARKS: Final[Mapping[Confidence, Mark]] = {
    Confidence.SURE: Mark(Confidence.SURE.value, "full", "calm"),
    Confidence.LIKELY: Mark(Confidence.LIKELY.value, "half", "calm"),
    Confidence.POSSIBLE: Mark(Confidence.POSSIBLE.value, "ring", "calm"),
}
_DASHES: Final = ("solid", "dotted", "dashed", "dash and dot")
_SYMBOLS: Final = ("round dots", "squares", "triangles", "diamonds")
_BARS: Final = ("filled bars", "hatched bars", "dotted bars", "crossed bars")


@dataclass(frozen=True, slots=True)
class KeyLine:
    """How one line of a chart is drawn, in words and as a kind, and whose it is."""

    looks: str
    name: str
    kind: str


@dataclass(frozen=True, slots=True)
class ChartView:
    """A finding's chart on its page.

    Attributes:
        address: where the figure is fetched.
        caption: what it shows.
        key: which line is which; empty where there is one only.
        before: words over what is told of before; empty where all is told in one.
        since: words over the rest.
        told: the chart in words, a row a line.
        marks: instants that are marked, and what happened.
        levels: what values are held against.
        missing: sentences about what cannot be drawn.
        still: the chart as it stands on paper: each pane with its title.

    """

    address: str
    caption: str
    key: tuple[KeyLine, ...]
    before: Markup
    since: Markup
    told: tuple[Told, ...]
    marks: tuple[tuple[Markup, str], ...]
    levels: tuple[str, ...]
    missing: tuple[str, ...]
    still: tuple[tuple[str, Markup], ...]


@dataclass(frozen=True, slots=True)
class EvidenceView:
    """Everything the page of one finding says.

    Attributes:
        key: the finding's.
        title: the cause.
        confidence: how sure, with its mark.
        sites: those it accuses, the one to start at first.
        gateway: behind which.
        touched: sites that only suffer from it.
        since: since when.
        lasts: how long.
        ended: when it was named last; None: it is named now.
        says: what is so.
        rests_on: further numbers.
        decides: the check that decides.
        desk: what to check from the desk first.
        bring: what to take along.
        cautions: where work on it can hurt someone.
        rivals: causes that the evidence cannot part from it.
        chart: where to see it.

    """

    key: str
    title: str
    confidence: Mark
    sites: tuple[Site, ...]
    gateway: Gateway | None
    touched: tuple[Site, ...]
    since: Markup
    lasts: str
    ended: Markup | None
    says: Markup
    rests_on: tuple[Markup, ...]
    decides: Markup
    desk: tuple[str, ...]
    bring: tuple[str, ...]
    cautions: tuple[str, ...]
    rivals: tuple[str, ...]
    chart: ChartView


def evidence_view(
    conn: Connection,
    network: NetworkView,
    one: Diagnosis,
    clock: Clock,
    address: str,
    ended_ms: int | None = None,
) -> EvidenceView:
    """Return what a finding's page shows, of one that is named now or of a past one.

    Args:
        conn: a reading connection.
        network: where its sites are.
        one: the finding.
        clock: of the page.
        address: where its chart's figure is answered.
        ended_ms: when it was named last; None: it is named now.

    """
    end_ms = clock.now_ms if ended_ms is None else ended_ms
    picture, what = read_picture(conn, network, one, clock.now_ms, ended_ms)
    known = {plan.site_id: plan.site for plan in network.sites}
    gateways = {plan.gateway_id: plan.gateway for plan in network.gateways}
    return EvidenceView(
        one.key,
        one.title,
        CONFIDENCE_MARKS[one.confidence],
        _known(known, one.site_ids),
        gateways.get(one.gateway_id),
        _known(known, one.touched),
        clock.at(one.since_ms),
        lasting(end_ms - one.since_ms),
        None if ended_ms is None else clock.at(ended_ms),
        as_sentence(one.says, clock),
        tuple(as_sentence(said, clock) for said in one.rests_on),
        as_sentence(one.decides, clock),
        one.desk,
        one.bring,
        one.cautions,
        one.rivals,
        _chart_view(picture, what, clock, address),
    )


def as_sentence(said: Said, clock: Clock) -> Markup:
    """Return words with a capital at the beginning and a full stop at the end."""
    text = cause_words(said, clock)
    ended = text if text.endswith((".", "?", "!")) else text + "."
    return Markup(ended[:1].upper()) + ended[1:]  # of words that are escaped already


def _known(sites: Mapping[int, Site], ids: Iterable[int]) -> tuple[Site, ...]:
    return tuple(sites[site_id] for site_id in ids if site_id in sites)


# --- the chart ------------------------------------------------------------------------------


def _chart_view(picture: Picture, what: Wanted, clock: Clock, address: str) -> ChartView:
    before, since = _heads(picture, clock)
    begin, end = what.span
    return ChartView(
        address,
        picture.caption,
        key_of(picture),
        before,
        since,
        picture.told,
        tuple((clock.at(ms), words) for ms, words in picture.marks if begin <= ms <= end),
        tuple(dict.fromkeys(_levels(picture))),
        picture.missing,
        sparks(picture, what.zone),
    )


def _heads(picture: Picture, clock: Clock) -> tuple[Markup, Markup]:
    if picture.parts is None:
        begin, end = picture.span
        words = Markup("{} to {}").format(clock.at(begin), clock.till(end, begin))
        return Markup(""), words
    before, since = picture.parts
    at = clock.at(since)
    return (
        Markup("In the {} before {}").format(lasting(since - before), at),
        Markup("From {} on").format(at),
    )


def _levels(picture: Picture) -> Iterable[str]:
    several = len({pane.levels for pane in picture.panes if pane.levels}) > 1
    for pane in picture.panes:
        whose = f"{pane.title}, " if several else ""
        for value, words in pane.levels:
            unit = f"\u00a0{pane.unit}" if pane.unit else ""
            yield f"{whose}{words} {f'{value:g}'.replace('-', MINUS)}{unit}"


def key_of(picture: Picture) -> tuple[KeyLine, ...]:
    """Return which line is which, where a pane has more than one."""
    if all(len(pane.lines) < 2 for pane in picture.panes):
        return ()
    found = {
        (line.name, line.drawn, line.place): _key_line(line, needs_symbols(pane))
        for pane in picture.panes
        for line in pane.lines
    }
    return tuple(found.values())


def _key_line(line: Line, with_symbol: bool) -> KeyLine:
    dash = _DASHES[line.place]
    usual = f"{dash}, {_SYMBOLS[line.place]}" if with_symbol else f"{dash} line"
    looks = {
        Drawn.BARS: _BARS[line.place],
        Drawn.DOTS: "large dots",
        Drawn.EDGE: "faint line",
    }.get(line.drawn, usual)
    return KeyLine(looks, line.name, f"{line.drawn} s{line.place}")

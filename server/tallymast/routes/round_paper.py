"""Kept Morning rounds to hand over: as one printable file, as CSV, as a spreadsheet.

A round stands in the words of its day. Beside it is what the record says now of the day that
ended with it: each site's polls and its pre-dawn volts.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from sqlalchemy import Connection

from tallymast.domain.errors import ConfigError
from tallymast.domain.health.nights import day_of
from tallymast.domain.model import GatewayPlan
from tallymast.domain.rounds import Changes, KeptLine, KeptRound, changes
from tallymast.files.sheets import Cell, Sheet, csv_bytes, xlsx_bytes
from tallymast.routes.day import NOTHING, SiteDay
from tallymast.routes.day_reading import read_days
from tallymast.routes.inlined import inlined_styles
from tallymast.routes.paper_clock import PaperClock
from tallymast.routes.reliability_paper import paper_clock
from tallymast.routes.reliability_sheets import moment
from tallymast.routes.report_words import made_sentence
from tallymast.routes.screens import environment
from tallymast.routes.services import Services
from tallymast.routes.tape import QUARTER_MS
from tallymast.storage import rounds
from tallymast.storage.rounds import Handover

MOST: Final = 62  # ours: two months of rounds in one file
STYLES: Final = ("tokens.css", "base.css", "round_days.css", "report.css")
_HANDED_MS: Final = 36 * 3_600_000  # ours: as far back as the round itself shows
_SINCE_MS: Final = 24 * 3_600_000
_NOTES: Final = 500


@dataclass(frozen=True, slots=True)
class SiteLine:
    """A site's polls and volts of the day that ended with a round."""

    key: str
    name: str
    day: SiteDay
    disconnect_v: float | None
    is_polled: bool


@dataclass(frozen=True, slots=True)
class RoundLine:
    """A line of a round, and the names of its sites as far as they still are."""

    line: KeptLine
    names: tuple[str, ...]

    @property
    def unsaid(self) -> str:
        """The names that its sentence does not say."""
        return ", ".join(name for name in self.names if name not in self.line.text)


@dataclass(frozen=True, slots=True)
class RoundPaper:
    """A kept round with what belongs to it.

    Attributes:
        day: of the round.
        kept: what was said.
        lines: one a cause.
        before: the day of the round before, None without one.
        changed: what was new and over against it.
        handed: what was handed over since the round before (36 h at most), oldest first.
        since: what was handed over after the last round told of (24 h at most), oldest first.
        gateways: name of each gateway, and its sites' day.

    """

    day: date
    kept: KeptRound
    lines: tuple[RoundLine, ...]
    before: date | None
    changed: Changes | None
    handed: tuple[Handover, ...]
    since: tuple[Handover, ...]
    gateways: tuple[tuple[str, tuple[SiteLine, ...]], ...]

    @property
    def new(self) -> tuple[str, ...]:
        """Keys of the causes that were new."""
        return self.changed.new if self.changed else ()


def read_papers(given: Services, kept: Sequence[KeptRound]) -> list[RoundPaper]:
    """Return some kept rounds with what belongs to them, in their order.

    Raises:
        ConfigError: too many for one file.

    """
    if len(kept) > MOST:
        raise ConfigError(
            f"{len(kept)} rounds are kept of this time; a report holds {MOST} at most."
        )
    found = []
    for one in kept:
        with given.database.reading() as connection:
            before = rounds.newest_before(connection, one.day)
            handed, since = _handed(connection, one, before, is_last=one is kept[-1])
        changed = None if before is None else changes(before, [line.key for line in one.lines])
        lines = tuple(RoundLine(line, _names(given, line)) for line in one.lines)
        earlier = None if before is None else day_of(before.day)
        days = read_days(given, one.at_ms // QUARTER_MS * QUARTER_MS - 1)  # whole quarters
        gateways = tuple(
            (gateway.gateway.name, _sites(gateway, days)) for gateway in given.network().gateways
        )
        day = day_of(one.day)
        found.append(RoundPaper(day, one, lines, earlier, changed, handed, since, gateways))
    return found


def _handed(
    connection: Connection, kept: KeptRound, before: KeptRound | None, *, is_last: bool
) -> tuple[tuple[Handover, ...], tuple[Handover, ...]]:
    begin_ms = kept.at_ms - _HANDED_MS
    if before is not None:
        begin_ms = max(begin_ms, before.at_ms)
    handed = rounds.handovers(connection, begin_ms, kept.at_ms, _NOTES)
    since = rounds.handovers(connection, kept.at_ms, kept.at_ms + _SINCE_MS, _NOTES)
    return tuple(handed[::-1]), tuple(since[::-1]) if is_last else ()


def _names(given: Services, line: KeptLine) -> tuple[str, ...]:
    plans = [given.network().site(key) for key in line.sites]
    return tuple(one.site.name for one in plans if one is not None)


def _sites(gateway: GatewayPlan, days: object) -> tuple[SiteLine, ...]:
    assert isinstance(days, dict)
    return tuple(
        SiteLine(
            one.site.key,
            one.site.name,
            days.get(one.site_id, NOTHING),
            one.site.supply.disconnect_v if one.site.supply else None,
            one.is_polled,
        )
        for one in gateway.sites
    )


# --- on paper -----------------------------------------------------------------------------


def round_html(given: Services, papers: Sequence[RoundPaper]) -> bytes:
    """Return rounds as one HTML file, each on its own sheet."""
    clock = _clock(given, papers)
    context = {
        "title": given.network().title,
        "name": f"Morning round, {_days(papers)}",
        "styles": inlined_styles(*STYLES),
        "papers": papers,
        "clock": clock,
        "made": made_sentence(given, clock),
    }
    return environment().get_template("report_round.html").render(context).encode()


def _clock(given: Services, papers: Sequence[RoundPaper]) -> PaperClock:
    return paper_clock(given, papers[-1].kept.at_ms)


def _days(papers: Sequence[RoundPaper]) -> str:
    first, last = papers[0].day, papers[-1].day
    words = f"{last:%-d %B %Y}"
    return words if first == last else f"{first:%-d %B %Y} to {words}"


# --- as tables ------------------------------------------------------------------------------


def round_csv(given: Services, papers: Sequence[RoundPaper]) -> bytes:
    """Return all that was said in rounds as CSV, a line a sentence."""
    return csv_bytes(_said(given, papers))


def round_xlsx(given: Services, papers: Sequence[RoundPaper]) -> bytes:
    """Return rounds as a spreadsheet: what was said, and each site's day."""
    about = [
        ("Report", f"Morning round, {_days(papers)}"),
        ("Network", given.network().title),
        ("Made", made_sentence(given, _clock(given, papers))),
        ("Rounds", "in the words of their days; sites and their days as the record has them now"),
    ]
    sheets = [Sheet("About", (), about), _said(given, papers), _contact(papers)]
    title = f"{given.network().title}: morning round, {_days(papers)}"
    return xlsx_bytes(sheets, title, given.now_ms())


ROUND: Final[dict[str, Callable[[Services, Sequence[RoundPaper]], bytes]]] = {
    "html": round_html,
    "csv": round_csv,
    "xlsx": round_xlsx,
}


def _said(given: Services, papers: Sequence[RoundPaper]) -> Sheet:
    zone = given.network().time_zone
    heads = ("day", f"at ({zone})", "at (UTC)", "part", "text", "sites", "by")
    rows = [
        (paper.day.isoformat(), *moment(at_ms, zone), *more)
        for paper in papers
        for at_ms, *more in _sentences(paper)
    ]
    return Sheet("Said", heads, rows)


def _sentences(paper: RoundPaper) -> Iterator[tuple[int, str, str, Cell, Cell]]:
    """Yield when, part, text, sites and by whom."""
    kept = paper.kept
    yield kept.at_ms, "in short", kept.headline, None, None
    for one in paper.lines:
        part = "that day" if one.line.act else "worth watching"
        yield kept.at_ms, part, one.line.text, ", ".join(one.names) or None, None
    for line in paper.changed.over if paper.changed else ():
        yield kept.at_ms, "over since the round before", line.text, None, None
    some = (("looked at", kept.looked_at), ("not known", kept.unknown))
    yield from ((kept.at_ms, part, text, None, None) for part, text in some if text)
    for part, notes in (("handed over", paper.handed), ("handed over since", paper.since)):
        yield from ((note.at_ms, part, note.text, None, note.actor) for note in notes)


def _contact(papers: Sequence[RoundPaper]) -> Sheet:
    heads = (
        "day",
        "gateway",
        "site",
        "name",
        "polls asked, 24 h",
        "polls answered, 24 h",
        "polls missed, 24 h",
        "pre-dawn (V)",
        "disconnect (V)",
        "why not polled",
    )
    rows = [
        (paper.day.isoformat(), gateway, line.key, line.name, *_figures(line))
        for paper in papers
        for gateway, sites in paper.gateways
        for line in sites
    ]
    return Sheet("Contact", heads, rows)


def _figures(line: SiteLine) -> tuple[Cell, ...]:
    counts = line.day.counts
    polls: tuple[Cell, ...] = (counts.asked, counts.answered, counts.missed)
    return (*polls, line.day.predawn_v, line.disconnect_v, line.day.pause or None)

"""Findings that were kept, as pages list them."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup
from sqlalchemy import Connection

from tallymast.domain.health.comms.intervals import wilson
from tallymast.domain.health.diagnosis.model import Said, Since
from tallymast.domain.model import SitePlan
from tallymast.routes.cause_words import cause_words
from tallymast.routes.formats import Clock, lasting
from tallymast.routes.services import NetworkView
from tallymast.storage import findings
from tallymast.storage.finding_words import CauseFigures, FindingWord
from tallymast.storage.findings import KeptFinding

OF_A_SITE: Final = 10


@dataclass(frozen=True, slots=True)
class WordLine:
    """What a visitor said, as it is listed."""

    at_ms: int
    actor: str
    said: str
    text: str


@dataclass(frozen=True, slots=True)
class FindingLine:
    """One finding as it is listed.

    Attributes:
        id: of its row.
        place: its site's name, or its gateway's.
        address: of that page, empty where the place is gone.
        title: the cause.
        says: the sentence of then.
        since_ms: since when the cause was told to hold.
        named_ms: when it was named first.
        until_ms: when it was named last, None while it stands.
        confidence: how sure it was, in words.
        shared: names of the other sites it accused.
        word: the visitor's word that counts, None without one.

    """

    id: int
    place: str
    address: str
    title: str
    says: Markup
    since_ms: int
    named_ms: int
    until_ms: int | None
    confidence: str
    shared: tuple[str, ...]
    word: WordLine | None


@dataclass(frozen=True, slots=True)
class FigureLine:
    """How often a cause was named, and how it did where somebody went to look."""

    title: str
    cause: str
    named: int
    visited: str


def finding_lines(
    found: Iterable[KeptFinding], network: NetworkView, clock: Clock
) -> tuple[FindingLine, ...]:
    """Return findings as they are listed, in their order."""
    return tuple(_line(one, network, clock) for one in found)


def lines_of_site(
    connection: Connection, site_id: int, network: NetworkView, clock: Clock
) -> tuple[FindingLine, ...]:
    """Return a site's last findings, the newest first."""
    return finding_lines(findings.of_site(connection, site_id, OF_A_SITE), network, clock)


def words_panel(
    connection: Connection,
    kept: KeptFinding | None,
    *,
    site_id: int | None,
    network: NetworkView,
    clock: Clock,
    may_write: bool,
) -> dict[str, object]:
    """Return what ``partials/finding_words.html`` shows.

    Args:
        connection: a reading connection.
        kept: the finding; None where what is named is not kept yet, then nobody can speak of it.
        site_id: whose earlier findings to list besides, None for none.
        network: for names.
        clock: the page's.
        may_write: whether whoever asks may say what a visit found.

    """
    past = [] if site_id is None else findings.of_site(connection, site_id, OF_A_SITE + 1)
    others = [one for one in past if kept is None or one.id != kept.id][:OF_A_SITE]
    return {
        "past": finding_lines(others, network, clock),
        "words": word_lines(kept.words if kept else ()),
        "finding_id": kept.id if kept else None,
        "may_write": may_write,
    }


def word_lines(words: Sequence[FindingWord]) -> tuple[WordLine, ...]:
    """Return words as they are listed, the newest first."""
    return tuple(_word(one) for one in reversed(words))


def figure_lines(
    found: Iterable[CauseFigures], titles: Mapping[str, str]
) -> tuple[FigureLine, ...]:
    """Return how each cause did, as it is listed."""
    return tuple(
        FigureLine(titles.get(one.cause, one.cause), one.cause, one.named, _visited(one))
        for one in found
    )


def said_then(one: KeptFinding, clock: Clock) -> Markup:
    """Return the sentence of a finding; spans as they were when it was written."""
    said = one.told.says
    values = [
        lasting(one.judged_ms - value.ms) if isinstance(value, Since) else value
        for value in said.values
    ]
    return cause_words(Said(said.text, *values), clock)


def site_of(network: NetworkView, site_id: int | None) -> SitePlan | None:
    """Return the site with this id, None where there is none (any more)."""
    return next((plan for plan in network.sites if plan.site_id == site_id), None)


def place_of(one: KeptFinding, network: NetworkView) -> tuple[str, str]:
    """Return the name of a finding's place and the address of its page, empty where it is gone."""
    plan = site_of(network, one.site_id)
    if plan is not None:
        return plan.site.name, f"/sites/{plan.site.key}"
    if one.site_id is None:
        for some in network.gateways:
            if some.gateway_id == one.gateway_id:
                return some.gateway.name, f"/gateways/{some.gateway.key}"
    return "a place that is no longer in the network", ""


def verdict_words(word: FindingWord) -> str:
    """Return ``confirmed (connector)``."""
    return f"{word.verdict.words} ({word.found})" if word.found else word.verdict.words


def _line(one: KeptFinding, network: NetworkView, clock: Clock) -> FindingLine:
    place, address = place_of(one, network)
    shared = [site_of(network, other) for other in one.shared]
    return FindingLine(
        one.id,
        place,
        address,
        one.told.title,
        said_then(one, clock),
        one.since_ms,
        one.named_ms,
        one.until_ms,
        one.confidence.value,
        tuple(other.site.name for other in shared if other is not None),
        _word(one.word) if one.word else None,
    )


def _word(one: FindingWord) -> WordLine:
    said = verdict_words(one)
    return WordLine(one.at_ms, one.actor, f"{said[0].upper()}{said[1:]}", one.text)


def _visited(one: CauseFigures) -> str:
    """Return ``11 of 12 visited (65 to 99 %)``, the interval being Wilson's at 95 %."""
    if not one.visited:
        return "none visited yet"
    low, high = wilson(one.confirmed, one.visited)
    return f"{one.confirmed} of {one.visited} visited ({100 * low:.0f} to {100 * high:.0f}\u00a0%)"

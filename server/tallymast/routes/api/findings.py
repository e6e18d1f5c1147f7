"""Findings as they were kept, with what visitors said of them."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from tallymast.domain.audit import Act
from tallymast.domain.health.diagnosis.experience import Verdict
from tallymast.domain.people import plain
from tallymast.domain.zones import find_zone
from tallymast.routes.api.finding import the_site
from tallymast.routes.api.spans import TheSpan
from tallymast.routes.finding_rows import place_of, said_then, site_of, verdict_words
from tallymast.routes.formats import Clock, iso
from tallymast.routes.problems import Problem
from tallymast.routes.services import Given, NetworkView, Services
from tallymast.routes.who import Person, ThePerson, tell
from tallymast.storage import finding_words, findings
from tallymast.storage.finding_words import FindingWord
from tallymast.storage.findings import KeptFinding, Wanted

router = APIRouter(prefix="/api/v1", tags=["findings"])

MOST = 500
FOUND_LONGEST = 120
TEXT_LONGEST = 1000
HIGHEST = 2**62


class WordItem(BaseModel):
    """What a visitor said of a finding."""

    at: str
    actor: str
    verdict: Verdict = Field(description="confirmed, other (something else) or nothing-found")
    found: str = Field(description="what it was, in the visitor's words; may be empty")
    text: str


class FindingItem(BaseModel):
    """A cause that was named at a site, or of a gateway itself."""

    id: int
    site: str | None = Field(description="the site's key; null: the gateway itself")
    gateway: str | None = Field(description="the gateway's key; null where it is gone")
    cause: str
    title: str
    tag: str | None = Field(description="of the point it is about")
    since: str = Field(description="since when the cause is told to hold")
    first_named_at: str
    until: str | None = Field(description="when it was named last; null while it stands")
    confidence: str = Field(description="all but certain, likely or possible")
    said: str = Field(description="the sentence, in the network's time zone")
    shared_with: list[str] = Field(description="keys of the other sites it accuses")
    words: list[WordItem] = Field(description="the oldest first; the last one counts")


class FindingList(BaseModel):
    """Findings, the newest first; pass ``next`` as ``before`` to go on, null at the end."""

    items: list[FindingItem]
    next: int | None


class NewWord(BaseModel):
    """What a visitor says of a finding."""

    verdict: Verdict
    found: str = Field("", max_length=FOUND_LONGEST, description="needed where it is `other`")
    text: str = Field("", max_length=TEXT_LONGEST)


@router.get("/findings")
def list_findings(
    given: Given,
    span: TheSpan,
    site: Annotated[str, Query(max_length=200, description="only of the site with this key")] = "",
    limit: Annotated[int, Query(ge=1, le=MOST)] = 100,
    before: Annotated[
        int | None, Query(ge=1, lt=HIGHEST, description="`next` of the page before")
    ] = None,
) -> FindingList:
    """List the findings that stood in a span, the one first named last first."""
    network = given.network()
    site_id = the_site(network, site).site_id if site else None
    wanted = Wanted(site_id=site_id, from_ms=span.from_ms, to_ms=span.to_ms)
    with given.database.reading() as connection:
        found = findings.page(connection, wanted, limit + 1, before)
    clock = Clock(find_zone(network.time_zone), given.now_ms())
    items = [_item(one, network, clock) for one in found[:limit]]
    return FindingList(items=items, next=items[-1].id if len(found) > limit else None)


@router.post("/findings/{number}/word", status_code=201)
def write_word(number: int, wanted: NewWord, given: Given, person: ThePerson) -> WordItem:
    """Say what a visit found; a word is never changed, a later one counts instead."""
    return _word(add_word(given, number, wanted.verdict, wanted.found, wanted.text, person)[1])


def add_word(
    given: Services, number: int, verdict: Verdict, found: str, text: str, person: Person
) -> tuple[KeptFinding, FindingWord]:
    """Store what a visitor says of a finding; return the finding as it was, and the word.

    Raises:
        Problem: no such finding, or something else was found and is not named.

    """
    found, text = plain(found, FOUND_LONGEST), plain(text, TEXT_LONGEST)
    if verdict is Verdict.OTHER and len(found) < 3:
        raise Problem(422, "Something else was wrong: write in a few words what it was.")
    at_ms = given.now_ms()
    with given.database.writing() as connection:
        kept = findings.of_id(connection, number) if number < HIGHEST else None
        if kept is None:
            raise Problem(404, f"There is no finding {number}.")
        word = finding_words.word(
            connection,
            number,
            at_ms=at_ms,
            actor=person.name,
            verdict=verdict,
            found=found,
            text=text,
        )
        tell(connection, given, person, _act(given.network(), kept, word))
    return kept, word


def _act(network: NetworkView, kept: KeptFinding, word: FindingWord) -> Act:
    after = {
        "title": kept.told.title,
        "said": f"{verdict_words(word)}. {word.text}".strip(),
        "verdict": word.verdict.value,
    }
    name = place_of(kept, network)[0]
    return Act("finding.word", "finding", str(kept.id), {}, after, name)


def _item(one: KeptFinding, network: NetworkView, clock: Clock) -> FindingItem:
    plan = site_of(network, one.site_id)
    gateways = {some.gateway_id: some.gateway.key for some in network.gateways}
    shared = [site_of(network, other) for other in one.shared]
    return FindingItem(
        id=one.id,
        site=plan.site.key if plan else None,
        gateway=gateways.get(one.gateway_id),
        cause=one.told.cause,
        title=one.told.title,
        tag=one.told.tag or None,
        since=iso(one.since_ms) or "",
        first_named_at=iso(one.named_ms) or "",
        until=iso(one.until_ms),
        confidence=one.confidence.value,
        said=said_then(one, clock).striptags(),
        shared_with=[other.site.key for other in shared if other is not None],
        words=[_word(word) for word in one.words],
    )


def _word(word: FindingWord) -> WordItem:
    return WordItem(
        at=iso(word.at_ms) or "",
        actor=word.actor,
        verdict=word.verdict,
        found=word.found,
        text=word.text,
    )

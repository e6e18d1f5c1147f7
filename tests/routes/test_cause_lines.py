"""A finding's line: how sure a cause is, its words, and the way to its evidence."""

from dataclasses import replace
from zoneinfo import ZoneInfo

from starlette.testclient import TestClient
from tests.domain.health.test_judged import a_gateway
from tests.domain.health.test_named import a_cause, watched
from tests.routes.conftest import NOW_MS, World, words

from tallymast.beginnings import newest_standings
from tallymast.domain.health.diagnosis.diagnose import diagnose
from tallymast.domain.health.diagnosis.model import About, At, Said, Since, TimeOf
from tallymast.domain.health.named import NamedWatch
from tallymast.domain.model import Outcome
from tallymast.judging import evidence, judge
from tallymast.routes.app import create_app
from tallymast.routes.cause_lines import line_of
from tallymast.routes.cause_words import cause_words
from tallymast.routes.formats import Clock

NOW = 1_772_964_000_000  # 2026-03-08 10:00 UTC
CLOCK = Clock(ZoneInfo("UTC"), NOW)
HOUR = 3_600_000
GATEWAY = a_gateway(10, 20)


def test_times_are_written_by_the_pages_clock_and_values_escaped() -> None:
    said = Said(
        "fell {} at {} to {}, {} ago", "<b>", At(NOW - HOUR), TimeOf(NOW), Since(NOW - HOUR)
    )
    html = cause_words(said, CLOCK)
    assert html.striptags() == "fell &lt;b&gt; at 09:00 to 10:00, 1 h ago" or (
        html.striptags() == "fell <b> at 09:00 to 10:00, 1 h ago"
    )
    assert "<b>" not in html


def test_a_negative_number_is_written_with_a_minus_and_a_date_is_left_alone() -> None:
    said = Said("moved by -0.3 dB to {} on 2026-11-24, 3-4 h", "-98 dBm")
    words = "moved by \u22120.3 dB to \u221298 dBm on 2026-11-24, 3-4 h"
    assert cause_words(said, CLOCK) == words


def test_a_cause_is_told_with_how_sure_it_is_and_where_its_evidence_is() -> None:
    (why,) = line_of(watched(1), [a_cause("antenna", About.CONTACT, 1)], CLOCK).why
    assert (why.mark.word, str(why.words), why.href) == ("likely", "words", "/findings/antenna-1")


def test_a_finding_without_a_cause_leads_to_the_chart_that_shows_it() -> None:
    assert line_of(watched(1), [], CLOCK).href == "/sites/site-1#chart-contact"


def test_a_site_of_three_polls_says_what_is_missing_and_names_nothing(world: World) -> None:
    three = [(NOW_MS - n * 60_000, Outcome.FIRST_TRY, words(12_000, 1287, 0)) for n in (3, 2, 1)]
    world.polls("quill-tank", three)
    judged = judge(world.database, world.view, NOW_MS)
    standings = newest_standings(world.live, world.view, NOW_MS)
    assert diagnose(evidence(world.view, world.live, standings, judged, NOW_MS)) == ()
    app = create_app(replace(world.services(), health=lambda: judged.sites))
    with TestClient(app) as client:
        for page in ("/sites/quill-tank", "/sites/quill-tank/drive"):
            text = " ".join(client.get(page).text.split())
            assert (
                "Not enough to tell causes from: 0 days of polls, 7 make a baseline; "
                "no signal point; 0 nights of supply, 7 make a trend."
            ) in text


def test_a_cause_of_its_own_names_its_sites() -> None:
    sites = tuple(plan.site for plan in GATEWAY.sites)
    named = NamedWatch(GATEWAY.gateway, sites, a_cause("interference", About.CONTACT, 1, 2))
    assert line_of(named, [], CLOCK).text.striptags() == "Site 1 and Site 2: words."

"""A finding's line: how sure a cause is, its words, and the way to its evidence."""

from zoneinfo import ZoneInfo

from tests.domain.health.test_judged import a_gateway
from tests.domain.health.test_named import a_cause, watched

from tallymast.domain.health.diagnosis.model import About, At, Said, Since, TimeOf
from tallymast.domain.health.named import NamedWatch
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


def test_a_cause_of_its_own_names_its_sites() -> None:
    sites = tuple(plan.site for plan in GATEWAY.sites)
    named = NamedWatch(GATEWAY.gateway, sites, a_cause("interference", About.CONTACT, 1, 2))
    assert line_of(named, [], CLOCK).text.striptags() == "Site 1 and Site 2: words."

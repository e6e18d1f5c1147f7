"""The page of one finding: its words, its chart in words, what is over and what never was."""

import re
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import pytest
from tests.routes.conftest import NOW_MS
from tests.routes.evidence_world import (
    DAY,
    GOOD,
    HOUR,
    LATER,
    LOST,
    MINUTE,
    Evidence,
    evidence_world,
    shown,
    station,
)

from tallymast.domain.health.diagnosis.lasting import Held, Looked, Step, step
from tallymast.domain.health.diagnosis.model import Confidence, Diagnosis, Said, Shown
from tallymast.routes.evidence_reading import evidence_spark
from tallymast.routes.evidence_view import CONFIDENCE_MARKS
from tallymast.storage import findings

SPARKED = (Shown.VOLTS, Shown.SIGNAL, Shown.DAY, Shown.CONTACT)


@pytest.fixture
def evidence(tmp_path: Path) -> Iterator[Evidence]:
    with evidence_world(tmp_path) as made:
        yield made


def plain(html: str) -> str:
    """A page as it is read: without elements, in single blanks."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html)).replace("\u00a0", " ")


def fallen(evidence: Evidence) -> None:
    """Two readings an hour; the signal falls from -80 to -98 at 06:00."""
    made = [
        (NOW_MS - n * HOUR + half * 30 * MINUTE, GOOD if n > 4 else LATER, station(dbm=dbm))
        for n in range(8, 0, -1)
        for half in (0, 1)
        for dbm in [-80 if n > 4 else -98]
    ]
    evidence.polls(1, made)


def test_a_page_says_what_is_so_how_sure_and_what_decides(evidence: Evidence) -> None:
    fallen(evidence)
    one = evidence.name(
        shown(Shown.SIGNAL),
        rests_on=(Said("first try {} of {} polls since", "40\u00a0%", "96"),),
        desk=("Twenty polls now.",),
        bring=("antenna", "wattmeter"),
        cautions=("Climbing: fall protection.",),
        touched=(evidence.id(2),),
        rivals=("Fading",),
    )
    page = evidence.page(one)
    words = plain(page)
    assert "Signal fell 18 dB between 05:00 and 06:00 ." in words
    assert "likely , since 06:00 (4 h)." in words
    assert "First try 40 % of 96 polls since." in words
    assert "Or: Fading" in words
    assert "Forward and reflected power at the radio." in words
    for part in ("Twenty polls now.", "wattmeter", "Climbing: fall protection."):
        assert part in words
    assert '<a href="/sites/site-1">Quill Tank</a>' in page
    assert 'href="/sites/site-1/drive"' in page
    assert 'action="/sites/site-1/drive/desk-test"' in page
    assert '<a href="/sites/site-2">Osier &lt;Pond&gt;</a>' in page
    assert "<Pond>" not in page


def test_the_chart_stands_in_words_before_and_since(evidence: Evidence) -> None:
    fallen(evidence)
    words = plain(evidence.page(evidence.name(shown(Shown.SIGNAL))))
    assert "In the 4 h before 06:00" in words
    assert "median of hourly means \u221280 dBm, 8 readings" in words
    assert "median of hourly means \u221298 dBm, 8 readings" in words
    assert "8 of 8 polls, too few to speak of a rate" in words
    assert "none of 8 polls" in words  # at the first try, since


def test_confidence_is_told_by_word_and_by_shape(evidence: Evidence) -> None:
    shapes = [CONFIDENCE_MARKS[one].shape for one in Confidence]
    assert len(set(shapes)) == 3
    for score, word in ((7.0, "all but certain"), (4.0, "likely"), (2.0, "possible")):
        evidence.named.clear()
        page = evidence.page(evidence.name(shown(Shown.SIGNAL), score=score))
        mark = CONFIDENCE_MARKS[Confidence(word)]
        assert re.search(rf'<use href="#m-{mark.shape}"/></svg>{word}</span>', page)
        assert f'<symbol id="m-{mark.shape}"' in page


def test_two_causes_that_cannot_be_parted_are_at_most_likely(evidence: Evidence) -> None:
    page = evidence.page(evidence.name(shown(Shown.SIGNAL), rivals=("Fading",)))
    assert "</svg>likely</span>" in page


def test_a_site_without_the_point_is_said_and_the_rest_is_shown(evidence: Evidence) -> None:
    bare = evidence.world.plan("bare").site_id
    for kind, what in (
        (Shown.SIGNAL, "signal"),
        (Shown.VOLTS, "supply voltage"),
        (Shown.COUNTS, "total or restart counter"),
    ):
        evidence.named.clear()
        one = evidence.name(shown(kind), site_ids=(bare,))
        assert f"Bare Post has no {what} point." in evidence.page(one)
        assert len(evidence.figure(one)["data"]) == (1 if kind is Shown.SIGNAL else 0)


def test_a_tag_the_site_has_not_is_said(evidence: Evidence) -> None:
    page = evidence.page(evidence.name(shown(Shown.POINT, tags=("FLOW<",))))
    assert "Quill Tank has no point FLOW&lt;." in page


def test_without_a_reading_nothing_is_made_up(evidence: Evidence) -> None:
    one = evidence.name(shown(Shown.SIGNAL))
    words = plain(evidence.page(one))
    assert "no reading" in words
    assert "nobody asked" in words
    assert [y for trace in evidence.figure(one)["data"] for y in trace["y"] if y is not None] == []


def test_a_gateways_own_finding_is_shown_at_those_that_suffer(evidence: Evidence) -> None:
    evidence.polls(2, [(NOW_MS - HOUR, LOST, b"")])
    one = evidence.name(shown(Shown.CONTACT), site_ids=(), touched=(evidence.id(2),))
    assert one.key == f"antenna-gateway-{one.gateway_id}"
    page = evidence.page(one)
    assert '<a href="/gateways/mast">Mast</a>' in page
    assert [trace["y"] for trace in evidence.figure(one)["data"]] == [[0.0], [0.0]]


def test_a_finding_that_is_over_is_calmly_said_to_be(evidence: Evidence) -> None:
    key = f"antenna-{evidence.id(1)}"
    answer = evidence.client.get(f"/findings/{key}")
    assert answer.status_code == 200
    assert "Not named any more" in answer.text
    assert '<a href="/findings?site=site-1">' in answer.text
    assert evidence.client.get(f"/findings/{key}/chart.json").status_code == 404
    gateway = evidence.world.view.gateways[0].gateway_id
    assert "Mast" in evidence.client.get(f"/findings/backhaul-gateway-{gateway}").text


@pytest.mark.parametrize("key", ["antenna", "antenna-999999", "-3", "Antenna-1", "x-gateway-99"])
def test_a_key_that_makes_no_sense_is_not_found(evidence: Evidence, key: str) -> None:
    assert evidence.client.get(f"/findings/{key}").status_code == 404


# --- past ---------------------------------------------------------------------------------

NOWHERE = Looked(frozenset(), frozenset(), frozenset(), frozenset())


def kept(evidence: Evidence, one: Diagnosis, named_ms: int, until_ms: int) -> int:
    """Keep a finding that was named from one instant to another; return its number."""
    with evidence.world.database.writing() as conn:
        held = findings.keep(conn, step({}, (one,), NOWHERE, named_ms), named_ms)
        (number,) = [row.id for row in held.values()]
        over = Held(number, one, until_ms, named_ms)
        findings.keep(conn, Step({}, {}, {}, (over,)), until_ms)
    return number


def test_a_past_finding_has_the_same_page_as_it_was_told_then(evidence: Evidence) -> None:
    fallen(evidence)
    one = evidence.name(shown(Shown.SIGNAL))
    evidence.named.clear()
    number = kept(evidence, one, NOW_MS - 3 * HOUR, NOW_MS - 2 * HOUR)
    answer = evidence.client.get(f"/findings/past/{number}")
    words = plain(answer.text)
    assert "Signal fell 18 dB" in words
    assert "Named last 08:00" in words
    assert f"/findings/past/{number}/chart.json" in answer.text
    assert "Desk test" not in words
    chart = evidence.client.get(f"/findings/past/{number}/chart.json").json()
    assert "named last" in [one["text"] for one in chart["layout"]["annotations"]]


def test_a_past_findings_chart_ends_a_day_after_it(evidence: Evidence) -> None:
    one = evidence.name(shown(Shown.SIGNAL, 9 * DAY))
    number = kept(evidence, one, NOW_MS - 6 * DAY, NOW_MS - 5 * DAY)
    chart = evidence.client.get(f"/findings/past/{number}/chart.json").json()
    assert chart["layout"]["xaxis"]["range"][1] == "2026-03-04T10:00:00"


def test_a_finding_that_was_never_kept_is_not_found(evidence: Evidence) -> None:
    for path in ("/findings/past/77", "/findings/past/77/chart.json"):
        assert evidence.client.get(path).status_code == 404


# --- small --------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", SPARKED)
def test_the_small_drawing_stays_in_its_box(evidence: Evidence, kind: Shown) -> None:
    fallen(evidence)
    one = evidence.name(shown(kind, levels=((6, "from"), (9, "to")) if kind is Shown.DAY else ()))
    with evidence.world.database.reading() as conn:
        drawn = evidence_spark(conn, evidence.world.view, one, NOW_MS)
    svg = ElementTree.fromstring(str(drawn))
    assert svg.attrib["viewBox"] == "0 0 300 60"
    assert svg.attrib["role"] == "img"
    assert "polls" in svg.attrib["aria-label"] or "V" in svg.attrib["aria-label"]
    for path in svg.iter("path"):
        for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", path.attrib["d"]):
            assert 0 <= float(x) <= 300
            assert 0 <= float(y) <= 60


def test_a_gap_stays_a_gap_in_the_small_drawing_and_its_mark_stands_in_place(
    evidence: Evidence,
) -> None:
    hours = (8, 7, 3, 2)
    evidence.polls(1, [(NOW_MS - n * HOUR, GOOD, station(dbm=-80 - n)) for n in hours])
    one = evidence.name(shown(Shown.SIGNAL, marks=((NOW_MS - 4 * HOUR, "here"),)))
    with evidence.world.database.reading() as conn:
        drawn = str(evidence_spark(conn, evidence.world.view, one, NOW_MS))
    (line,) = re.findall(r'class="line s0" d="([^"]+)"', drawn)
    assert line.count("M") == 2
    # Half of eight hours along 40..297.
    assert 'class="mark-at" d="M168.5 ' in drawn
    texts = [one.text for one in ElementTree.fromstring(drawn).iter("text")]
    assert texts[-2:] == ["02:00", "10:00"]  # what the axis begins and ends with


def test_there_is_no_small_drawing_of_nothing(evidence: Evidence) -> None:
    one = evidence.name(shown(Shown.VOLTS))
    with evidence.world.database.reading() as conn:
        assert evidence_spark(conn, evidence.world.view, one, NOW_MS) == ""


def test_a_small_drawing_may_be_of_one_of_the_sites(evidence: Evidence) -> None:
    evidence.polls(1, [(NOW_MS - HOUR, GOOD, station())])
    evidence.polls(2, [(NOW_MS - HOUR, GOOD, station(dbm=-91))])
    one = evidence.name(shown(Shown.SIGNAL), (1, 2))
    with evidence.world.database.reading() as conn:
        drawn = str(evidence_spark(conn, evidence.world.view, one, NOW_MS, evidence.id(2)))
    assert "\u221291" in drawn
    assert "\u221280" not in drawn


def test_levels_of_several_sites_say_whose_they_are(evidence: Evidence) -> None:
    page = evidence.page(evidence.name(shown(Shown.VOLTS), (1, 2)))
    assert "load disconnect 11.6\u00a0V; load back 12.7\u00a0V" in page  # both have the same
    chart = shown(Shown.POINT, tags=("LVL", "VBAT"))
    page = evidence.page(evidence.name(chart, cause="loop"))
    assert "Level, low limit 1\u00a0m" in page
    assert "Supply voltage, load disconnect 11.6\u00a0V" in page


def test_names_are_escaped_in_the_small_drawing(evidence: Evidence) -> None:
    evidence.polls(2, [(NOW_MS - HOUR, GOOD, station())])
    one = evidence.name(shown(Shown.SIGNAL), (2, 1))
    with evidence.world.database.reading() as conn:
        drawn = str(evidence_spark(conn, evidence.world.view, one, NOW_MS))
    assert "Osier &lt;Pond&gt;" in drawn
    ElementTree.fromstring(drawn)

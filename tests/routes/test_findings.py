"""The history of findings: listed, filtered, as a file; what a visitor says of one."""

import csv
import io
import re

import pytest
from starlette.testclient import TestClient
from tests.domain.health.diagnosis.told import DAY, HOUR, antenna
from tests.routes.conftest import NOW_MS, World

from tallymast.domain.health.diagnosis.experience import Verdict
from tallymast.domain.health.diagnosis.lasting import Held, Step, places
from tallymast.domain.health.diagnosis.model import At, Diagnosis, Said, Since, TimeOf
from tallymast.routes.api.findings import FOUND_LONGEST, TEXT_LONGEST
from tallymast.routes.finding_rows import words_panel
from tallymast.routes.screens import Screens
from tallymast.storage import finding_words, findings

QUILL, OSIER = 1, 2  # the small world's sites, in file order


def name(world: World, told: Diagnosis, at_ms: int = NOW_MS) -> int:
    """Keep what is named; return the finding's number."""
    with world.database.writing() as conn:
        held = findings.keep(conn, Step({}, places([told]), {}, ()), at_ms)
    return max(one.id for one in held.values())


def end(world: World, number: int, at_ms: int) -> None:
    with world.database.writing() as conn:
        findings.keep(conn, Step({}, {}, {}, (Held(number, None, at_ms, at_ms),)), at_ms)


def say(world: World, number: int, verdict: Verdict, found: str = "", text: str = "") -> None:
    with world.database.writing() as conn:
        finding_words.word(
            conn,
            number,
            at_ms=NOW_MS - HOUR,
            actor="tess",
            verdict=verdict,
            found=found,
            text=text,
        )


def fell(site_id: int = QUILL, days: int = 4, **change: object) -> Diagnosis:
    """Four days ago the signal fell."""
    at_ms = NOW_MS - days * DAY
    said = Said("signal fell {} between {} and {}", "19 dB", At(at_ms), TimeOf(at_ms + 60_000))
    return antenna(site_id, since_ms=at_ms, says=said, **change)


def rows(html: str) -> list[str]:
    """The rows of the list, tags taken out."""
    found = re.findall(r'<tr role="row" id="finding-\d+">(.*?)</tr>', html, re.DOTALL)
    return [" ".join(re.sub(r"<[^>]+>", " ", row).split()) for row in found]


def test_before_anything_was_named_the_page_says_so(client: TestClient) -> None:
    assert "No cause was named yet." in client.get("/findings").text
    assert "No cause was named here yet." in client.get("/sites/quill-tank").text


def test_a_finding_is_listed_with_what_where_when_and_how_sure(
    world: World, client: TestClient
) -> None:
    name(world, fell())
    (row,) = rows(client.get("/findings").text)
    assert row.startswith("Antenna, connector or surge arrester signal fell 19 dB between")
    assert "between Wed 4 Mar 10:00 and 10:01 Quill Tank since Wed 4 Mar 10:00" in row
    assert "still stands likely nothing said" in row


def test_a_span_is_told_as_it_was_then(world: World, client: TestClient) -> None:
    said = Said("dark for {}", Since(NOW_MS - 9 * DAY))
    name(world, antenna(QUILL, says=said), NOW_MS - 7 * DAY)
    assert "dark for 2 days" in rows(client.get("/findings").text)[0]


def test_sites_that_share_it_name_each_other(world: World, client: TestClient) -> None:
    name(world, fell(site_ids=(QUILL, OSIER)))
    first, second = rows(client.get("/findings").text)
    assert "Osier &lt;Pond&gt; with Quill Tank" in first
    assert "Quill Tank with Osier &lt;Pond&gt;" in second


def test_a_gateways_own_finding_leads_to_its_gateway(world: World, client: TestClient) -> None:
    name(world, fell(cause="backhaul", title="Backhaul", site_ids=()))
    html = client.get("/findings").text
    assert '<a href="/gateways/mast">Mast</a>' in html
    assert '<a href="/findings?cause=backhaul">Backhaul</a>' in html


PARTS = {
    "": ["Osier", "Quill", "Quill"],
    "?site=quill-tank": ["Quill", "Quill"],
    "?cause=battery": ["Osier"],
    "?state=open": ["Osier", "Quill"],
    "?state=over": ["Quill"],
    "?unsaid=true": ["Osier", "Quill"],
    "?unsaid=true&state=over": [],
    "?before=3": ["Quill", "Quill"],
    "?cause=nonsense": [],
}


def test_addresses_ask_for_a_part(world: World, client: TestClient) -> None:
    first = name(world, fell(days=40), NOW_MS - 40 * DAY)
    end(world, first, NOW_MS - 38 * DAY)
    say(world, first, Verdict.CONFIRMED, "connector")
    name(world, fell())
    name(world, fell(OSIER, cause="battery", title="Battery worn out"))
    for query, found in PARTS.items():
        listed = rows(client.get(f"/findings{query}").text)
        assert ["Quill" if "Quill" in row else "Osier" for row in listed] == found, query


def test_a_long_list_goes_on(world: World, client: TestClient) -> None:
    for n in range(53):
        number = name(world, fell(cause=f"cause-{n}"), NOW_MS - 60 * DAY + n * HOUR)
        end(world, number, NOW_MS - 59 * DAY + n * HOUR)
    html = client.get("/findings?state=over").text
    assert len(rows(html)) == 50
    older = re.search(r'href="(/findings\?[^"]*before=\d+)"', html)
    assert older is not None
    assert len(rows(client.get(older[1].replace("&amp;", "&")).text)) == 3


def test_how_often_a_cause_was_right_is_said_with_its_counts(
    world: World, client: TestClient
) -> None:
    for n in range(13):
        number = name(world, fell(), NOW_MS - 400 * DAY + n * 20 * DAY)
        end(world, number, NOW_MS - 400 * DAY + n * 20 * DAY + HOUR)
        if n < 12:
            say(world, number, Verdict.NOTHING if n == 5 else Verdict.CONFIRMED)
    name(world, fell(OSIER, cause="battery", title="Battery worn out"))
    text = " ".join(re.sub(r"<[^>]+>", " ", client.get("/findings").text).split())
    # Wilson's score interval at 95 % for 11 of 12: 0.646 to 0.985 (statsmodels 0.14).
    assert "surge arrester 13 11 of 12 visited (65 to 99 %)" in text
    assert "Battery worn out 1 none visited yet" in text


def test_a_visitor_says_what_was_found(world: World, client: TestClient) -> None:
    number = name(world, fell())
    form = {
        "verdict": "other",
        "found": "fuse clip",
        "text": "Cleaned\nand crimped.",
        "back": "history",
    }
    answer = client.post(f"/findings/{number}/word", data=form, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/findings#finding-{number}")
    (row,) = rows(client.get("/findings").text)
    assert "Something else (fuse clip) Cleaned and crimped. local, 10:00" in row
    log = client.get("/sites/quill-tank?log=finding").text
    assert "surge arrester: something else (fuse clip). Cleaned and crimped." in log


def test_the_form_leads_back_to_where_it_stood(world: World, client: TestClient) -> None:
    name(world, fell())
    for back, to in (
        ("finding", "/findings/past/1#words-title"),
        ("site", "/sites/quill-tank#findings-title"),
        ("history", "/findings#finding-1"),
    ):
        form = {"verdict": "confirmed", "back": back}
        answer = client.post("/findings/1/word", data=form, follow_redirects=False)
        assert answer.headers["location"] == to


WRONG: tuple[tuple[dict[str, str], str], ...] = (
    ({"verdict": "other"}, "write in a few words what it was"),
    ({"verdict": "other", "found": " \n"}, "write in a few words what it was"),
    ({"verdict": "maybe"}, "verdict"),
    ({}, "verdict"),
    ({"verdict": "confirmed", "back": "https://evil.example"}, "back"),
    ({"verdict": "confirmed", "text": "x" * 1001}, "text"),
)


def test_what_says_nothing_is_refused_and_not_kept(world: World, client: TestClient) -> None:
    number = name(world, fell())
    for form, part in WRONG:
        answer = client.post(f"/findings/{number}/word", data=form)
        assert answer.status_code == 422, form
        assert part in answer.text
    for nowhere in (7, 99999999999999999999999):
        answer = client.post(f"/findings/{nowhere}/word", data={"verdict": "confirmed"})
        assert answer.status_code == 404
        assert "There is no finding" in answer.text
    with world.database.reading() as conn:
        assert finding_words.newest_word(conn) == 0


def test_the_site_page_shows_its_last_ten_with_a_form_each(
    world: World, client: TestClient
) -> None:
    for n in range(12):
        name(world, fell(cause=f"cause-{n}", title=f"Cause number {n}"))
    name(world, fell(OSIER, title="Another site's"))
    html = client.get("/sites/quill-tank").text
    section = html[html.index('id="findings-title"') :]
    section = section[: section.index("</section>")]
    shown = [f"Cause number {n}</a>" in section for n in range(12)]
    assert shown == [False] * 2 + [True] * 10
    assert "Another site's" not in section
    assert section.count('action="/findings/') == 10
    assert section.count('name="back" value="site"') == 10


def test_the_form_needs_no_script_and_every_field_has_its_words(
    world: World, client: TestClient
) -> None:
    name(world, fell())
    html = client.get("/findings").text
    form = html[html.index('<form class="wordform') :]
    form = form[: form.index("</form>")]
    assert 'method="post"' in form
    assert "<script" not in html
    assert "<fieldset><legend>What did the visit find?</legend>" in form
    fields = re.findall(r"<(?:input|textarea)(?! type=\"hidden\")", form)
    assert len(fields) == form.count("<label>") == 5
    assert f'maxlength="{FOUND_LONGEST}"' in form
    assert f'maxlength="{TEXT_LONGEST}"' in form


def test_the_file_holds_every_finding_asked_for(world: World, client: TestClient) -> None:
    first = name(world, fell(title="=cmd"))
    say(world, first, Verdict.OTHER, "@fuse", "-1 V")
    name(world, fell(OSIER))
    answer = client.get("/findings.csv")
    assert answer.headers["content-type"].startswith("text/csv")
    head, second, one = csv.reader(io.StringIO(answer.text))
    assert head[:3] == ["finding", "site", "gateway"]
    found = dict(zip(head, one, strict=True))
    assert (found["site"], found["title"], found["until (UTC)"]) == ("quill-tank", "'=cmd", "")
    assert (found["visitor's word"], found["found"], found["text"]) == ("other", "'@fuse", "'-1 V")
    assert found["said then"] == "signal fell 19 dB between Wed 4 Mar 10:00 and 10:01"
    assert found["since (UTC)"] == "2026-03-04T10:00:00.000Z"
    assert second[1] == "osier-pond"
    part = client.get("/findings.csv?site=osier-pond").text.splitlines()
    assert len(part) == 2


def test_an_address_that_makes_no_sense_is_refused(client: TestClient) -> None:
    for query, status in (("?site=nowhere", 404), ("?state=sad", 422), ("?before=0", 422)):
        assert client.get(f"/findings{query}").status_code == status


def test_a_site_that_left_the_network_is_still_in_the_history(
    world: World, client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    name(world, fell())
    monkeypatch.setattr(world.view, "_sites", {})
    assert "a place that is no longer in the network" in rows(client.get("/findings").text)[0]


def panel(world: World, number: int | None, *, may_write: bool = True) -> str:
    """What a finding's page includes of its words."""
    screens = Screens(world.services())
    with world.database.reading() as conn:
        kept = None if number is None else findings.of_id(conn, number)
        shown = words_panel(
            conn,
            kept,
            site_id=QUILL,
            network=world.view,
            clock=screens.clock(),
            may_write=may_write,
        )
    context = {**shown, "clock": screens.clock()}
    return str(screens.fragment("partials/finding_words.html", context))


def test_a_findings_words_stand_with_its_form_and_the_sites_other_findings(world: World) -> None:
    older = name(world, fell(cause="battery", title="Battery worn out"))
    number = name(world, fell())
    assert "Nobody has said yet what a visit found." in panel(world, number)
    say(world, number, Verdict.NOTHING)
    say(world, number, Verdict.CONFIRMED, "connector", "Crimped.")
    html = panel(world, number)
    assert html.index("Confirmed (connector)") < html.index("Nothing found")
    assert f'<form class="wordform noprint" method="post" action="/findings/{number}/word">' in html
    assert f'<li id="finding-{older}">' in html
    assert f'<li id="finding-{number}">' not in html


def test_without_the_right_or_the_row_there_is_no_form(world: World) -> None:
    number = name(world, fell())
    assert "<form" not in panel(world, number, may_write=False)
    assert "takes the role operator" in panel(world, number, may_write=False)
    fresh = panel(world, None, may_write=False)
    assert "It is being written down" in fresh
    assert "<form" not in fresh

"""The pages without a browser: what they say, how they refuse, what they carry."""

import re
from dataclasses import replace

import plotly.graph_objects as go
import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import NOW_MS, World, words

from tallymast.domain.model import GatewayState, GatewayStatus, Outcome
from tallymast.domain.zones import find_zone
from tallymast.routes.app import create_app
from tallymast.routes.charts import local_times
from tallymast.routes.widgets_page import MARKS
from tallymast.storage import episodes, jobs, notes, schema
from tallymast.storage.changes import insert_many
from tallymast.storage.writer import StorageStatus

GOOD, NONE = Outcome.FIRST_TRY, Outcome.NO_ANSWER


def text_of(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", html)).replace("\u00a0", " ")


def page(client: TestClient, path: str, status: int = 200) -> str:
    answer = client.get(path)
    assert answer.status_code == status
    return answer.text


def calm(world: World) -> None:
    for key in ("quill-tank", "osier-pond"):
        world.polls(key, [(NOW_MS - 8000, GOOD, words(12_000, 1287, 0))])


def test_a_calm_morning_says_that_nobody_is_needed(world: World, client: TestClient) -> None:
    calm(world)
    text = text_of(page(client, "/"))
    assert "2 of 3 sites need nobody; 1 is not polled on purpose." in text
    assert "not polled on purpose: Teal Pond" in text
    assert "Level 2.50 m" in text
    assert "8 s ago" in text


def test_low_supply_is_told_with_its_number_and_its_limit(world: World, client: TestClient) -> None:
    calm(world)
    world.polls("quill-tank", [(NOW_MS - 1000, GOOD, words(12_000, 1141, 0))])
    text = text_of(page(client, "/"))
    assert "1 of 3 sites need nobody; 1 is not polled on purpose." in text
    assert "Quill Tank: supply 11.41 V" in text
    assert "11.5" in text


def test_a_lost_gateway_is_one_line_not_one_a_site(world: World, client: TestClient) -> None:
    calm(world)
    gateway_id = world.view.gateways[0].gateway_id
    world.live.publish_gateway(
        GatewayState(
            gateway_id,
            GatewayStatus.UNREACHABLE,
            NOW_MS - 600_000,
            sentence="Mast: the gateway at 127.0.0.1:5020 refuses the connection.",
        )
    )
    html = page(client, "/")
    findings = html[html.index('id="findings"') : html.index("Every site")]
    assert findings.count("<li") == 1
    assert "Mast" in text_of(findings)


def test_a_silent_site_is_told_with_its_last_contact(world: World, client: TestClient) -> None:
    calm(world)
    begin = NOW_MS - 900_000
    world.polls("osier-pond", [(begin + n * 60_000, NONE, b"") for n in range(6)])
    text = text_of(page(client, "/"))
    assert "Osier &lt;Pond&gt;" in text  # escaped: a name is never markup
    assert "comm fail" in text
    assert "Osier <Pond>" not in page(client, "/")


@pytest.mark.parametrize("bad", ["Health score", "Safe to work", "comm error", "100.0 %"])
def test_forbidden_words_are_not_said(world: World, client: TestClient, bad: str) -> None:
    calm(world)
    assert bad not in text_of(page(client, "/"))
    assert bad not in text_of(page(client, "/sites/quill-tank"))


def test_a_site_page_shows_every_point_with_unit_and_age(world: World, client: TestClient) -> None:
    calm(world)
    text = text_of(page(client, "/sites/quill-tank"))
    for part in ("Level LVL", "2.50 m", "12.87 V", "shut", "8 s ago", "input 0, uint16"):
        assert part in text
    assert "Gate code with the district office." in text
    assert "open water" in text
    assert "first try" in text


def test_a_value_without_reading_is_unknown_never_zero(world: World, client: TestClient) -> None:
    text = text_of(page(client, "/sites/osier-pond"))
    assert "unknown" in text
    assert "0.00" not in text


def test_storage_trouble_is_said_on_every_page(world: World, client: TestClient) -> None:
    said = "The disk is full since 09:40."
    world.storage = StorageStatus("failing", NOW_MS, 12, 0, sentence=said)
    for path in ("/", "/sites/quill-tank"):
        assert said in page(client, path)


def test_poll_now_by_plain_form_goes_back_to_the_page(world: World, client: TestClient) -> None:
    answer = client.post("/sites/quill-tank/poll", follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/sites/quill-tank"
    with world.database.reading() as conn:
        assert len(jobs.waiting(conn, jobs.POLLER)) == 1


def test_poll_now_from_the_live_page_gets_the_fragment(world: World, client: TestClient) -> None:
    answer = client.post("/sites/quill-tank/poll", headers={"hx-request": "true"})
    assert answer.status_code == 200
    assert answer.text.startswith('<span id="job"')
    assert "Waits for its turn" in answer.text


def test_a_page_read_after_poll_now_says_that_it_waits(client: TestClient) -> None:
    # Nobody has taken it up yet. A stream that opens at this moment must not say otherwise.
    page(client, "/sites/quill-tank")
    client.post("/sites/quill-tank/poll")
    assert "Waits for its turn" in page(client, "/sites/quill-tank")


def test_an_unknown_page_says_so_in_a_sentence(client: TestClient) -> None:
    html = page(client, "/sites/nowhere", 404)
    assert "There is no site" in text_of(html)
    assert "Traceback" not in html


def test_every_page_may_load_from_here_only(world: World, client: TestClient) -> None:
    calm(world)
    for path in ("/", "/sites/quill-tank", "/api/docs", "/sites/nowhere"):
        answer = client.get(path)
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "script-src 'self'" in policy
        assert "unsafe-eval" not in policy
        assert not re.findall(r'(?:src|href)="(?:https?:)?//', answer.text)
        assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize("span", ["24 h", "7 d", "30 d", "1 y"])
def test_a_chart_keeps_gaps_and_names_its_limits(
    world: World, client: TestClient, span: str
) -> None:
    world.polls(
        "quill-tank",
        [
            (NOW_MS - 180_000, GOOD, words(12_000, 1287, 0)),
            (NOW_MS - 120_000, NONE, b""),
            (NOW_MS - 60_000, GOOD, words(16_000, 1287, 0)),
        ],
    )
    figure = client.get("/sites/quill-tank/charts/LVL.json", params={"span": span}).json()
    go.Figure(figure)  # Plotly's own check of every name and value
    assert {trace["type"] for trace in figure["data"]} == {"scatter"}
    assert all(trace["connectgaps"] is False for trace in figure["data"])
    words_shown = {note["text"] for note in figure["layout"]["annotations"]}
    assert words_shown == {"low limit", "high limit"}
    if span == "24 h":
        assert figure["data"][0]["y"] == [2.5, None, 3.75]


def test_an_axis_follows_the_wall_clock_through_the_change_of_clocks() -> None:
    # IANA tz database: in Denver 2026-03-08 09:00 UTC is 03:00 daylight time; an hour before it
    # is 01:00 standard time.
    zone = find_zone("America/Denver")
    change = 1_772_960_400_000
    assert local_times([change - 3_600_000, change - 1000, change], zone) == [
        "2026-03-08T01:00:00",
        "2026-03-08T01:59:59",
        "2026-03-08T03:00:00",
    ]
    assert local_times([], zone) == []


def test_the_stream_is_there_before_htmx_begins(client: TestClient) -> None:
    # htmx begins by itself: at the document's end, or, if it was deferred, at once, and then its
    # stream extension may come too late. In order, at the end and not deferred it never does.
    for path in ("/", "/sites/quill-tank"):
        html = page(client, path)
        scripts = re.findall(r'<script src="/static/([^"?]+)[^>]*>', html)
        assert scripts[:3] == [
            "vendor/htmx-4.0.1.min.js",
            "vendor/hx-sse-4.0.1.min.js",
            "js/live.js",
        ]
        assert "defer" not in html
        assert html.index("</main>") < html.index("<script src")


def test_a_static_file_is_named_by_its_content_and_kept(client: TestClient) -> None:
    html = page(client, "/")
    address = re.search(r'href="(/static/css/base\.css\?v=[0-9a-f]+)"', html)
    assert address is not None
    answer = client.get(address[1])
    assert "immutable" in answer.headers["cache-control"]
    assert client.get("/static/../cli.py").status_code == 404


# --- gateways, nights, log book, widgets --------------------------------------------------


def test_a_gateway_page_says_how_each_site_comes_through(world: World, client: TestClient) -> None:
    made = [
        (NOW_MS - n * 60_000, GOOD if n % 4 else NONE, words(12_000, 1287, 0))
        for n in range(40, 0, -1)
    ]
    world.polls("quill-tank", made)
    text = text_of(page(client, "/gateways/mast"))
    assert "connected" in text
    assert "75.0 % of 40" in text  # the sample size stands beside the share
    assert "Without a place: Quill Tank, Osier &lt;Pond&gt;, Teal Pond." in text
    assert "none asked" in text
    assert client.get("/gateways", follow_redirects=False).headers["location"] == "/gateways/mast"


def test_an_unknown_gateway_is_told_with_the_nearest(client: TestClient) -> None:
    assert "Did you mean &#39;mast&#39;?" in page(client, "/gateways/masd", 404)


def test_a_site_shows_its_nights_and_what_they_are_judged_against(
    world: World, client: TestClient
) -> None:
    calm(world)
    plan = world.plan("quill-tank")
    today = NOW_MS // 86_400_000
    rows = [(plan.site_id, today - n, 12.2, 0, 12.5 - 0.01 * n, 13.9, 0, 120) for n in range(3)]
    with world.database.writing() as conn:
        insert_many(conn, schema.night, rows)
    text = text_of(page(client, "/sites/quill-tank"))
    assert "load off 11.50 V" in text or "load off11.50 V" in text
    assert "12.50 V" in text
    assert "before dawn, 3 nights" in text
    assert "pre-dawn 12.50, disconnect 11.50" in text_of(page(client, "/"))


def test_the_log_book_holds_notes_and_what_held_for_a_while(
    world: World, client: TestClient
) -> None:
    plan = world.plan("teal-pond")
    with world.database.writing() as conn:
        notes.add(
            conn,
            plan.site_id,
            at_ms=NOW_MS - 3_600_000,
            actor="A. Nobody",
            kind="visit",
            text="Closed <for> the season.",
        )
        episodes.open_episode(
            conn,
            "not-polled",
            site_id=plan.site_id,
            from_ms=NOW_MS - 3_600_000,
            planned_end_ms=NOW_MS + 30 * 86_400_000,
            reason="Out of season.",
        )
    html = page(client, "/sites/teal-pond")
    assert "Closed &lt;for&gt; the season." in html
    assert "out of season until 7 Apr 2026" in text_of(html)
    assert "Teal Pond (out of season until 7 Apr 2026)" in text_of(page(client, "/"))


def test_a_notice_stands_calmly_above_every_page(world: World) -> None:
    services = replace(world.services(), notice=lambda: "Older days are being written.")
    client = TestClient(create_app(services))
    for path in ("/", "/sites/quill-tank", "/gateways/mast"):
        assert '<p class="notice">Older days are being written.</p>' in page(client, path)


def test_the_page_of_all_widgets_is_linked_from_nowhere(world: World, client: TestClient) -> None:
    assert "Every widget in every state" in page(client, "/widgets")
    for path in ("/", "/sites/quill-tank", "/gateways/mast", "/api/docs"):
        assert "/widgets" not in page(client, path)


def test_every_state_is_a_word_and_a_shape() -> None:
    for mark in MARKS:
        assert mark.word
        assert mark.shape in {"disc", "octagon", "triangle", "square", "diamond", "dash"}
    # A loud state never has the shape of a calm one.
    shapes = {tone: {one.shape for one in MARKS if one.tone == tone} for tone in ("calm", "act")}
    assert not shapes["calm"] & shapes["act"]

"""Factors, adjustments, index readings and closed months of one point, as people write them."""

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import NOW_MS, World
from tests.routes.volumes_kept.metered_world import compute, point_id

from tallymast.storage import adjustments, index_readings, k_factors, month_closes, tasks

KEPT = "/volumes/kestrel/TOT1/kept"
FACTOR = {"way": "volume", "amount": "0.11", "unit": "m³", "from": "2026-02-08T07:00"}
FACTOR |= {"note": "Meter test 14, 10 % more"}


def test_a_factor_is_shown_before_it_is_made(world: World, client: TestClient) -> None:
    shown = client.post(f"{KEPT}/factors", data=FACTOR).text
    # 28 days and 3 hours since 8 February. From 1 February 07:00 to 1 March 07:00 were counted
    # 28 * 864 m³; the last 21 days become 10 % more.
    assert "28 days" in shown
    assert "+10.00\u00a0%" in shown
    assert "24\u202f192.00\u00a0m³" in shown  # 28 * 864; a pulse of 0.11 shows two decimals
    assert "26\u202f006.40\u00a0m³" in shown  # 7 * 864 + 21 * 864 * 1.1
    assert "+1\u202f814.40\u00a0m³" in shown
    with world.database.reading() as conn:
        assert k_factors.kept(conn, point_id(world)) == []
    client.post(f"{KEPT}/factors", data=FACTOR | {"step": "store"})
    with world.database.reading() as conn:
        (kept,) = k_factors.kept(conn, point_id(world))
    assert (float(kept.factor.per_pulse), kept.note, kept.actor) == (0.11, FACTOR["note"], "local")
    page = client.get(KEPT).text
    assert "0.11\u00a0m³ a pulse" in page
    assert "as the network says" in page


def test_factors_are_refused_in_sentences_and_the_newest_is_taken_out(
    world: World, client: TestClient
) -> None:
    for wrong, said in (
        ({"amount": "0"}, "a pulse stands for more than 0"),
        ({"amount": "1e300000000"}, "is not a number"),
        ({"from": "2026-03-09T07:00"}, "has not passed yet"),
        ({"note": ""}, "say what the new factor rests on"),
    ):
        refused = client.post(f"{KEPT}/factors", data=FACTOR | wrong | {"step": "store"})
        assert refused.status_code == 422
        assert said in refused.text
    # In another unit of volume it is the same factor exactly: 110 L are 0.11 m³.
    litres = FACTOR | {"amount": "110", "unit": "L", "step": "store"}
    client.post(f"{KEPT}/factors", data=litres)
    early = client.post(f"{KEPT}/factors", data=FACTOR | {"from": "2026-02-01T07:00"})
    assert "take it out first" in early.text
    with world.database.reading() as conn:
        (kept,) = k_factors.kept(conn, point_id(world))
    assert str(kept.factor.per_pulse) == "11/100"
    taken = {"from_ms": str(kept.factor.from_ms), "why": "typed wrongly"}
    client.post(f"{KEPT}/factors/take-out", data=taken)
    with world.database.reading() as conn:
        assert k_factors.kept(conn, point_id(world)) == []
    assert client.post(f"{KEPT}/factors/take-out", data=taken).status_code == 409


def test_an_adjustment_is_kept_beside_the_count_and_taken_back(
    world: World, client: TestClient
) -> None:
    body = {"from": "2026-02-10T02:00", "to": "2026-02-10T03:00", "amount": "-12.5"}
    body |= {"unit": "m³", "reason": "Hydrant test through the meter"}
    assert client.post(f"{KEPT}/adjustments", data=body).status_code == 200
    again = client.post(f"{KEPT}/adjustments", data=body)
    assert "the very same adjustment stands already" in again.text
    over = client.post(
        f"{KEPT}/adjustments", data=body | {"amount": "-1", "to": "2026-02-10T04:00"}
    )
    assert "Take it back first, or say below that both are meant" in over.text
    # 36 m³ were counted in that hour.
    early = {"from": "2026-02-09T02:00", "to": "2026-02-09T03:00"}
    more = client.post(f"{KEPT}/adjustments", data=body | early | {"amount": "-36.1"})
    assert "more would be taken away than was counted, 36.0\u00a0m³" in more.text
    turned = client.post(f"{KEPT}/adjustments", data=body | {"to": "2026-02-10T01:00"})
    assert "has to lie after its beginning" in turned.text
    with world.database.reading() as conn:
        (one,) = adjustments.of_point(conn, point_id(world), 0, NOW_MS)
    back = client.post(f"{KEPT}/adjustments/{one.id}/back", data={"why": "It was another meter"})
    assert "Taken back" in back.text
    twice = client.post(f"{KEPT}/adjustments/{one.id}/back", data={"why": "It was another"})
    assert twice.status_code == 409
    with world.database.reading() as conn:
        both = adjustments.of_point(conn, point_id(world), 0, NOW_MS)
    assert [float(each.amount) for each in both] == [-12.5, 12.5]


def test_an_index_is_held_against_the_count(world: World, client: TestClient) -> None:
    first = {"index": "5000", "unit": "m³", "read": "2026-02-01T08:30"}
    client.post(f"{KEPT}/index", data=first)
    # 10 days at 864 m³ are 8640; an index 25.92 m³ ahead: the station counted 0.30 % less.
    client.post(f"{KEPT}/index", data=first | {"index": "13665.92", "read": "2026-02-11T08:30"})
    assert "Some hours of this site are still being computed" in client.get(KEPT).text
    compute(world)
    page = client.get(KEPT).text
    assert "still being computed" not in page
    assert "\u22120.30\u00a0%" in page
    assert "they agree within 1 %" in page
    assert "operational figure, not custody transfer" in page
    lower = client.post(f"{KEPT}/index", data=first | {"index": "9", "read": "2026-02-12T08:30"})
    assert "an index only climbs" in lower.text
    begun = {"index": "9", "read": "2026-02-12T08:30", "begins": "yes"}
    assert client.post(f"{KEPT}/index", data=first | begun).status_code == 200
    with world.database.reading() as conn:
        assert len(index_readings.of_point(conn, point_id(world))) == 3


def test_a_calibration_is_a_task_that_stands_beside_its_meter(
    world: World, client: TestClient
) -> None:
    what = "Calibrate the meter Total (TOT1)"
    client.post("/tasks", data={"site": "kestrel", "what": what, "due": "2026-03-01"})
    with world.database.reading() as conn:
        assert [one.what for one in tasks.standing(conn)] == [what]
    assert what in client.get(KEPT).text


def test_a_month_is_frozen_as_shown_and_later_changes_are_corrections(
    world: World, client: TestClient
) -> None:
    page = client.get("/volumes/close").text
    assert "Month close: February 2026" in page
    assert "24\u202f192.0\u00a0m³" in page
    assert "100\u00a0%" in page
    shown = page.split('name="shown" value="')[1].split('"')[0]
    body = {"month": "2026-02", "point": "all", "shown": shown, "note": "as billed"}
    assert client.post("/volumes/close", data=body | {"shown": "else"}).status_code == 409
    assert "version 1" in client.post("/volumes/close", data=body).text
    assert client.post("/volumes/close", data=body).status_code == 409  # nothing is new
    factor = FACTOR | {"step": "store"}
    assert "becomes a correction" in client.post(f"{KEPT}/factors", data=FACTOR).text
    client.post(f"{KEPT}/factors", data=factor)
    waiting = client.get("/volumes/close?month=2026-02").text
    assert "still being computed" in waiting
    assert 'name="shown"' not in waiting
    compute(world)
    changed = client.get("/volumes/close?month=2026-02").text
    assert "Changed since version 1" in changed
    moved = "24 192.00 m³ when it was closed, 26 006.40 m³ now (+1 814.40)."
    assert f"Correction, counted: {moved}" in changed.replace("\u202f", " ")
    again = changed.split('name="shown" value="')[1].split('"')[0]
    client.post("/volumes/close", data=body | {"shown": again})
    with world.database.reading() as conn:
        both = month_closes.versions(conn, point_id(world), "2026-02")
    assert [float(one.figures.total) for one in both] == pytest.approx([24_192.0, 26_006.4])


def test_a_month_that_goes_on_and_what_is_no_month_are_not_closed(client: TestClient) -> None:
    assert "is not over for an hour yet" in client.get("/volumes/close?month=2026-03").text
    body = {"month": "2026-03", "point": "all", "shown": ""}
    assert client.post("/volumes/close", data=body).status_code == 409
    for text in ("2026-13", "0001-01", "x"):
        assert client.get(f"/volumes/close?month={text}").status_code == 422


def test_a_point_that_does_not_count_keeps_nothing(client: TestClient) -> None:
    assert client.get("/volumes/kestrel/LVL/kept").status_code == 404
    assert client.get("/volumes/nowhere/TOT1/kept").status_code == 404

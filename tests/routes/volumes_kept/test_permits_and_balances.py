"""Permits with their alarms, balances and flows, on a meter of 36 m³/h."""

from dataclasses import replace
from datetime import date

import pytest
from starlette.testclient import TestClient
from tests.dialects import DIALECTS
from tests.routes.conftest import NOW_MS, World
from tests.routes.volumes_kept.metered_world import DAY, point_id

from tallymast.alarms.book import AlarmBook
from tallymast.alarms.keeper import AlarmKeeper, Eyes
from tallymast.alarms.permits import Permits
from tallymast.domain.alarms.model import AlarmState
from tallymast.domain.alarms.setting_up import alarms_of
from tallymast.domain.record.days import Contract
from tallymast.domain.zones import find_zone
from tallymast.routes.alarm_words import called
from tallymast.routes.app import create_app
from tallymast.storage import balances, flow_readings, permits
from tallymast.storage.volume_keeping import counted_points


def enter(world: World, client: TestClient, name: str, amount: str, period: str = "month") -> None:
    body = {"name": name, "amount": amount, "unit": "m³", "period": period, "note": ""}
    body["point"] = str(point_id(world))
    assert client.post("/volumes/permits", data=body).status_code == 200


@pytest.mark.parametrize("world", DIALECTS, indirect=True)
def test_a_permit_tells_how_it_stands_and_when_it_may_be_used_up(
    world: World, client: TestClient
) -> None:
    enter(world, client, "Small licence", "10476")
    page = client.get("/volumes/permits").text
    # March began on the 1st at 07:00: 7 days and 3 hours ago, 6156 m³ at 36 m³/h.
    # 4320 m³ are left: 5 days at 864 m³ a day; March goes on for 23 days and 21 hours.
    assert "6\u202f156 of 10\u202f476 m³ taken" in page
    assert "The limit is reached in 5 days; the month goes on for 24 days." in page
    assert "may be used up" in page
    enter(world, client, "A day of the canal", "900", "day")
    # The day began at 07:00: 108 m³ are taken, it ends at 864.
    assert (
        "108 of 900 m³ taken; it ends at 864 to 864 m³: within the limit"
        in client.get("/volumes/permits").text
    )
    refused = client.post("/volumes/permits", data={"name": "x", "amount": "-3", "unit": "furlong"})
    assert refused.status_code == 422
    assert "choose at least one whose volume counts" in refused.text


def test_permits_raise_their_alarms_and_an_ended_one_has_none(
    world: World, client: TestClient
) -> None:
    held = Permits(world.database, lambda: world.view, lambda: world.now_ms)
    book = AlarmBook(world.database, lambda: world.view, alarms_of, held.alarms)
    keeper = AlarmKeeper(
        Eyes(
            world.live,
            network=lambda: world.view,
            now_ms=lambda: world.now_ms,
            health=dict,
            storage=lambda: world.storage,
            poller=lambda: world.poller,
            permits=held.standings,
        ),
        book,
    )
    for name, amount in (("Used up", "6156"), ("Near", "10000"), ("Wide", "99999")):
        enter(world, client, name, amount)
    for _ in range(3):
        keeper.look()
        world.now_ms += 1000
    alarms = book.now()
    active = {
        called(alarms.alarms[key], world.view)
        for key, one in alarms.standings.items()
        if one.state is AlarmState.UNACKNOWLEDGED and "permit" in key
    }
    assert active == {
        "Permits: Used up: permit used up",
        "Permits: Used up: permit may be used up",
        "Permits: Near: permit may be used up",
    }
    with TestClient(create_app(replace(world.services(), alarms=book.now))) as looking:
        page = looking.get("/alarms").text
    assert "Used up: permit used up" in page
    assert "6156 of 6156 m³ taken" in page
    assert 'href="/volumes/permits"' in page
    numbers = {one.name: one.id for one in _held(world)}
    client.post(f"/volumes/permits/{numbers['Used up']}/retire", data={"why": "given back"})
    keeper.look()
    assert f"//permit/{numbers['Used up']}-reached" not in book.now().alarms
    again = AlarmBook(world.database, lambda: world.view, alarms_of, held.alarms).now()
    near = again.standings[f"//permit/{numbers['Near']}-ahead"]  # as it was stored
    assert near.state is AlarmState.UNACKNOWLEDGED


def _held(world: World) -> list[permits.Permit]:
    with world.database.reading() as conn:
        return permits.in_force(conn)


def test_a_balance_tells_what_is_left_over_and_within_which_bounds(
    world: World, client: TestClient
) -> None:
    body = {
        "name": "Kestrel pond",
        "error": "2",
        "in": str(point_id(world)),
        "level_error1": "0.01",
    }
    body |= {"level1": "kestrel/LVL", "table1": "0 8000\n5 8000"}
    assert client.post("/volumes/balances", data=body).status_code == 200
    page = client.get("/volumes/balances").text
    # In: 864 m³ within 2 %, 847 to 881. Stored: 0.1 m on 8000 m² are 800 m³, each level within
    # 0.01 m: 640 to 960. Left over: 64 m³, between 847 - 960 and 881 - 640.
    assert "847\u00a0m³ to 881\u00a0m³" in page
    assert "640\u00a0m³ to 960\u00a0m³" in page
    assert "\u2212113\u00a0m³ to 241\u00a0m³ are left over" in page
    month = client.get("/volumes/balances?of=2026-02").text
    # 28 days at 864 m³.
    assert "24\u202f192\u00a0m³" in month
    for wrong, said in (
        ({"table1": "0 8000"}, "needs at least two levels"),
        ({"table1": "0 8000\nabc"}, "is not a level in m and an area in m²"),
        ({"out": body["in"]}, "flows either in or out, not both"),
        ({"level1": ""}, "choose the level that the table belongs to"),
        ({"level2": "kestrel/LVL", "table2": "0 1\n5 1"}, "is in another storage"),
    ):
        refused = client.post("/volumes/balances", data=body | wrong)
        assert refused.status_code == 422
        assert said in refused.text
    more = client.post("/volumes/balances", data=body | {"more": "1"}).text
    assert "0 8000\n5 8000</textarea>" in more  # what was typed is kept,
    assert 'name="table2"' in more  # there is room for another,
    with world.database.reading() as conn:
        (group,) = balances.in_force(conn)  # and nothing was stored
    client.post(f"/volumes/balances/{group.id}/retire", data={"why": "the pond is drained"})
    assert "No balance is entered" in client.get("/volumes/balances").text


def test_a_balance_whose_part_is_unknown_says_so(world: World, client: TestClient) -> None:
    body = {"name": "Kestrel pond", "in": str(point_id(world))}
    client.post("/volumes/balances", data=body)
    page = client.get("/volumes/balances?of=2026-01-31").text
    # That day began at 07:00 and the first poll came at 10:00.
    assert "no upper bound is known" in page
    assert "It cannot be told whether it closes" in page
    for text in ("2026-13-01", "0001-01-01", "x", "2099-01-01"):
        assert client.get(f"/volumes/balances?of={text}").status_code == 422


@pytest.mark.parametrize("world", DIALECTS, indirect=True)
def test_flows_of_a_night_of_polls_and_of_pulses(world: World, client: TestClient) -> None:
    page = client.get("/volumes/flow?site=kestrel").text
    assert "36.0\u00a0m³/h, 7 of 7 nights" in page  # a pulse of 0.1 m³ shows one decimal
    # The rate stands at 36 m³/h all day, as the pulses do: 864 m³.
    assert "<b>864\u00a0m³</b>, integrated from polled values; all of the day was seen" in page
    assert "They agree" in page
    # By a factor twice as large the same pulses make 72 m³/h; the site's own rate stays at 36.
    body = {"amount": "0.2", "unit": "m³", "from": "2026-03-08T08:00", "note": "Typed wrongly"}
    client.post("/volumes/kestrel/TOT1/kept/factors", data=body | {"step": "store"})
    assert "They do not agree" in client.get("/volumes/flow?site=kestrel").text
    assert "Common practice, no published source" in page


@pytest.mark.parametrize("world", DIALECTS, indirect=True)
def test_a_night_that_is_not_wholly_known_is_unknown_and_a_gap_adds_nothing(world: World) -> None:
    plan, gateway = world.plan("kestrel"), world.gateway()
    begun = NOW_MS - 36 * DAY  # 31 January 10:00: no poll before
    rate = plan.site.point("RATE1")
    assert rate is not None
    with world.database.reading() as conn:
        total = counted_points(conn, gateway, plan)[0]
        days = [date(2026, 1, 31), date(2026, 2, 1)]
        nights = flow_readings.night_flows(conn, total, days, find_zone("UTC"), Contract("UTC", 7))
        span = (begun - 6 * 3_600_000, begun + 6 * 3_600_000)
        told = flow_readings.integrated_flow(conn, plan, rate, span)
    assert [one.per_hour for one in nights] == [None, 36.0]
    assert told is not None
    assert told[0].amount == pytest.approx(216.0)  # 6 h of 12 at 36 m³/h
    assert told[0].known_share == pytest.approx(0.5)
    assert told[1] == "m³"


def test_a_permit_of_a_month_whose_beginning_nobody_read_is_not_known_to_be_kept(
    world: World, client: TestClient
) -> None:
    # On 1 February at 06:00, of January (from the 1st) only the time since the 31st was read.
    world.now_ms = NOW_MS - 35 * DAY - 4 * 3_600_000
    enter(world, client, "January licence", "99999")
    page = client.get("/volumes/permits").text
    assert "not known whether used up" in page
    assert "What is unknown of it has no bound" in page

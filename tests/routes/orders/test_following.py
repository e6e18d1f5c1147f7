"""What became of an order: two statements, what to do, the list, and where it is told besides."""

from tests.routes.orders.pump_world import PUMP, Bench, text_of

from tallymast.domain.model import SitePlan
from tallymast.domain.orders.model import OrderKind, OrderState, Proof, Told, Wanted
from tallymast.storage import order_proofs, orders
from tallymast.storage.orders import NewOrder


def plan_of(bench: Bench) -> SitePlan:
    return bench.world.plan("dunlin-booster")


def stored(bench: Bench, key: str = "a-key-of-its-own", actor: str = "opal") -> int:
    plan = plan_of(bench)
    point_id = next(one.point_id for one in plan.layout.points if one.tag == "START")
    now_ms = bench.world.now_ms
    wanted = Wanted(OrderKind.ON, 1.0)
    new = NewOrder(
        key, now_ms, now_ms + 30_000, actor, None, plan.site_id, point_id, wanted, "off", now_ms
    )
    with bench.world.database.writing() as conn:
        return orders.make(conn, new)[0].id


def tell(bench: Bench, number: int, state: OrderState, detail: str, back: float | None) -> None:
    at_ms = bench.world.now_ms + 500
    told = Told(state, at_ms, detail, readback=back, readback_ms=None if back is None else at_ms)
    with bench.world.database.writing() as conn:
        orders.claim(conn, number, "w", at_ms - 100)
        orders.tell(conn, number, told)


def test_a_running_order_looks_again_and_an_ended_one_does_not(bench: Bench) -> None:
    number = stored(bench)
    goes_on = bench.client.get(f"/orders/{number}").text
    assert f'hx-get="/orders/{number}/now"' in goes_on
    assert "waits to be sent" in text_of(goes_on)
    tell(bench, number, OrderState.NOT_SENT, "Expired: it could not be sent.", None)
    ended = bench.client.get(f"/orders/{number}/now").text
    assert "hx-get" not in ended
    assert "No byte of it went out" in text_of(ended)


def test_output_and_effect_are_two_statements(bench: Bench) -> None:
    number = stored(bench)
    tell(bench, number, OrderState.CONFIRMED, "Read back: on.", 1.0)
    with bench.world.database.writing() as conn:
        made = orders.order(conn, number)
        assert made is not None
        order_proofs.wait(conn, number, bench.world.now_ms)
        said = "running NOT proven after 30 s: Running shows stopped; Selector is not in Auto"
        order_proofs.prove(conn, made, Proof.NOT_PROVEN, bench.world.now_ms + 30_000, said)
    words = text_of(bench.client.get(f"/orders/{number}").text)
    assert "Output, by read-back output on (read back 10:00:00)" in words
    assert "Running (RUN), by feedback not proven : running NOT proven after 30 s" in words
    assert "Do not order again and again" in words
    site = text_of(bench.client.get("/sites/dunlin-booster").text)
    assert "feedback not proven" in site
    assert "running NOT proven after 30 s" in site  # in its log book


def test_a_bad_end_says_what_to_do(bench: Bench) -> None:
    for state, said in (
        (OrderState.UNKNOWN, "Treat the output as if it were on"),
        (OrderState.UNCONFIRMED, "does not show what was ordered"),
        (OrderState.REFUSED, "Remove the reason"),
    ):
        number = stored(bench, f"a-key-of-{state}")
        tell(bench, number, state, "So it ended.", None)
        assert said in text_of(bench.client.get(f"/orders/{number}").text)


def test_the_list_is_filtered_and_an_empty_one_says_what_to_do(bench: Bench) -> None:
    empty = text_of(bench.client.get("/orders").text)
    assert "Nothing was ordered yet" in empty
    assert "Hob Gate" in empty
    number = stored(bench)
    stored(bench, "another-key-than-that", "tess")
    tell(bench, number, OrderState.REFUSED, "Selector is in hand.", None)
    words = text_of(bench.client.get("/orders").text)
    assert words.index("tess") < words.index("opal")  # newest first
    refused = text_of(bench.client.get("/orders?state=refused").text)
    assert "opal" in refused
    assert "tess" not in refused
    none = text_of(bench.client.get("/orders?site=hob-gate").text)
    assert "No order matches" in none
    assert bench.client.get("/orders?state=lost").status_code == 422
    assert bench.client.get("/orders/77").status_code == 404


def test_a_check_out_offers_to_order_and_is_come_back_to(bench: Bench) -> None:
    site = "/sites/dunlin-booster"
    names = {"kind": "commissioning", "at_site": "R. Hale", "at_base": "M. Okoro"}
    bench.client.post(f"{site}/check-out", data=names)
    page = bench.client.get(f"{site}/check-out").text
    assert f"{site}/outputs/START?source=check-out" in page
    assert f"{site}/outputs/RUN" not in page
    assert "ordered from here" in text_of(page)
    address = bench.choose(PUMP, kind="on", source="check-out")
    pressed = bench.press(address, bench.client.get(address).text)
    order = bench.client.get(pressed.headers["location"]).text
    assert f'href="{site}/check-out#row-START"' in order
    assert bench.orders()[0].source == "check-out"

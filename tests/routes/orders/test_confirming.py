"""An order is confirmed on a fresh value, by a button that works once and for a minute."""

import pytest
from sqlalchemy import insert
from tests.routes.orders.pump_world import MINUTE, PUMP, RAISE, Bench, text_of, token_of
from tests.routes.people.conftest import Guarded

from tallymast.domain.errors import StorageError
from tallymast.domain.orders.model import OrderKind, OrderState, Wanted
from tallymast.domain.people import Role
from tallymast.routes.orders import confirm_page
from tallymast.storage import notes, schema


def test_a_press_orders_what_the_page_showed_and_is_written_down(bench: Bench) -> None:
    address = bench.choose()
    html = bench.client.get(address).text
    words = text_of(html)
    assert "Switch Pump ON at Dunlin Booster" in words
    assert "It shows now off" in words
    assert "nobody is signed in" in words
    assert bench.orders() == ()  # asking for the page ordered nothing
    pressed = bench.press(address, html)
    (made,) = bench.orders()
    assert pressed.headers["location"] == f"/orders/{made.id}"
    assert (made.state, made.tag, made.wanted) == (
        OrderState.STORED,
        "START",
        Wanted(OrderKind.ON, 1.0),
    )
    assert (made.seen, made.source, made.actor) == ("off", "page", "local")
    assert made.expires_ms - made.made_ms == 30_000  # trade default: validity 30 s
    (told,) = bench.told("order.make")
    assert told.sentence == "local ordered: Switch Pump ON at Dunlin Booster."


def test_pressed_twice_it_is_one_order(bench: Bench) -> None:
    address = bench.choose()
    html = bench.client.get(address).text
    first, second = bench.press(address, html), bench.press(address, html)
    assert first.headers["location"] == second.headers["location"]
    assert len(bench.orders()) == 1
    assert len(bench.told("order.make")) == 1
    again = bench.client.get(address, follow_redirects=False)
    assert again.headers["location"] == first.headers["location"]  # and the page leads there


def test_of_two_copies_of_a_page_one_orders(bench: Bench) -> None:
    address = bench.choose()
    older, newer = bench.client.get(address).text, bench.client.get(address).text
    assert token_of(older) != token_of(newer)
    shown = bench.press(address, older)
    assert shown.status_code == 409  # and shows the page anew, with a button that works
    assert "button works. Nothing was ordered." in text_of(shown.text)
    assert bench.press(address, newer).status_code == 409
    assert bench.orders() == ()
    assert bench.press(address, bench.client.get(address).text).status_code == 303
    assert len(bench.orders()) == 1


def test_a_pressed_buttons_address_shows_the_page_again_and_orders_nothing(bench: Bench) -> None:
    # A kept tab, a reload by the address bar, or signing in after a press comes there by GET.
    pressed = bench.choose().replace("/confirm?", "/order?")
    page = bench.client.get(pressed)
    assert page.status_code == 200
    assert token_of(page.text)
    assert bench.orders() == ()


def test_after_a_minute_the_button_is_gone_and_works_no_more(bench: Bench) -> None:
    address = bench.choose()
    html = bench.client.get(address).text
    bench.world.now_ms += MINUTE
    bench.polled()  # the value is fresh all the same
    late = bench.press(address, html)
    assert late.status_code == 409
    assert "Nothing was ordered" in text_of(late.text)
    page = bench.client.get(address).text
    assert token_of(page) == ""
    assert "Ask Dunlin Booster again" in text_of(page)
    assert bench.orders() == ()


def test_a_button_orders_nothing_else_than_its_page(bench: Bench) -> None:
    on = bench.choose(kind="on")
    html = bench.client.get(on).text
    off = on.replace("kind=on&want=1.0", "kind=off&want=0.0")
    assert off != on
    assert bench.press(off, html).status_code == 409
    assert bench.orders() == ()


def test_another_account_cannot_press_it(guarded: Guarded) -> None:
    opal, tess = guarded.as_(Role.OPERATOR), guarded.as_(Role.TECHNICIAN)
    bench = Bench(guarded.world, opal)
    address = bench.choose()
    html = opal.get(address).text
    assert "opal (operator)" in text_of(html)
    assert bench.press(address, html, tess).status_code == 409
    assert bench.press(address, html).status_code == 303
    assert [one.actor for one in bench.orders()] == ["opal"]


def test_a_viewer_sees_the_page_without_a_button(guarded: Guarded) -> None:
    bench = Bench(guarded.world, guarded.as_(Role.OPERATOR))
    address = bench.choose()
    seen = guarded.as_(Role.VIEWER).get(address)
    assert seen.status_code == 200
    assert token_of(seen.text) == ""


def test_refusals_stand_in_place_of_the_button(bench: Bench) -> None:
    bench.auto = False
    address = bench.choose()
    html = bench.client.get(address).text
    assert token_of(html) == ""
    assert "It cannot be ordered now" in text_of(html)
    words = text_of(html)
    assert "Selector" in words
    # Why not stands before all that would happen.
    assert words.index("It cannot be ordered now") < words.index("What would happen")


def test_what_is_refused_only_when_pressed_is_stored_as_refused(bench: Bench) -> None:
    address = bench.choose()
    html = bench.client.get(address).text
    bench.auto = False
    bench.world.now_ms += 1000
    bench.polled()
    pressed = bench.press(address, html)
    (made,) = bench.orders()
    assert made.state is OrderState.REFUSED
    assert "Selector" in made.reason
    assert pressed.headers["location"] == f"/orders/{made.id}"
    assert bench.told("order.make") == []
    assert len(bench.told("order.refuse")) == 1


def test_an_unanswered_poll_leaves_no_button_for_starting(bench: Bench) -> None:
    bench.mute = True
    bench.world.now_ms += 10 * MINUTE
    html = bench.client.get(bench.choose()).text
    assert token_of(html) == ""
    assert "It cannot be ordered now" in text_of(html)


def test_the_page_waits_for_its_poll(bench: Bench) -> None:
    made = bench.client.post(PUMP, data={"kind": "on"}, follow_redirects=False)
    waits = bench.client.get(made.headers["location"]).text
    assert token_of(waits) == ""
    assert "Asking Dunlin Booster for its value now" in text_of(waits)
    assert 'hx-trigger="every 1s"' in waits
    bench.answer()
    part = made.headers["location"].replace("/confirm?", "/confirm/now?")
    assert token_of(bench.client.get(part).text) != ""


def test_people_at_the_site_have_to_know(bench: Bench) -> None:
    site_id = bench.world.plan("dunlin-booster").site_id
    text = "R. Hale leaves for Dunlin Booster 09:10, back by 12:00; M. Okoro knows."
    with bench.world.database.writing() as conn:
        notes.add(conn, site_id, at_ms=bench.world.now_ms, actor="R. Hale", kind="visit", text=text)
    address = bench.choose()
    html = bench.client.get(address).text
    assert "They know that it is about to be operated" in text_of(html)
    unticked = bench.press(address, html)
    assert unticked.status_code == 409
    assert bench.orders() == ()
    assert bench.press(address, unticked.text, they_know="true").status_code == 303


def test_it_is_stored_before_the_reply_or_not_at_all(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = bench.choose()
    html = bench.client.get(address).text

    def full(*_: object) -> None:
        raise StorageError("The disk is full.")

    monkeypatch.setattr("tallymast.routes.orders.placing.tell", full)
    assert bench.press(address, html).status_code == 503
    assert bench.orders() == ()
    monkeypatch.undo()
    assert bench.press(address, html).status_code == 303  # the button was not used up


def test_a_pulse_is_offered_first_and_ordered_in_seconds(bench: Bench) -> None:
    page = bench.client.get(RAISE).text
    assert 'name="on_for"' in page
    assert 'value="15"' in page  # trade default: 15 min offered
    assert page.index('value="pulse"') < page.index('value="off"')
    address = bench.choose(RAISE, kind="pulse", on_for="1.5", unit="min")
    bench.press(address, bench.client.get(address).text)
    (made,) = bench.orders()
    assert made.wanted == Wanted(OrderKind.PULSE, None, 90.0)


SPEED = PUMP.replace("START", "SPEED")


def test_nonsense_is_told_on_the_form(bench: Bench) -> None:
    for path, fields, said in (
        (RAISE, {"kind": "pulse", "on_for": "31", "unit": "min"}, "30 min at most"),
        (RAISE, {"kind": "pulse", "on_for": ""}, "for how long"),
        (PUMP, {"kind": "pulse", "on_for": "5"}, "takes on or off"),
        (SPEED, {"kind": "setpoint", "want": "120"}, "100"),
        (SPEED, {"kind": "setpoint", "want": "fast"}, "not a number"),
    ):
        answer = bench.client.post(path, data=fields, follow_redirects=False)
        assert answer.status_code == 422
        assert said in text_of(answer.text)


def test_what_is_no_output_has_no_such_page(bench: Bench) -> None:
    assert bench.client.get("/sites/dunlin-booster/outputs/RUN").status_code == 404
    assert bench.client.get("/sites/dunlin-booster/outputs/NONE").status_code == 404


def test_a_link_of_the_door_is_no_button(bench: Bench) -> None:
    # a one-time link for a password is kept in the same table, for another purpose
    address = bench.choose()
    html = bench.client.get(address).text
    row = {"hash": "x", "purpose": "password", "subject": "opal", "ends_ms": 2**60}
    with bench.world.database.writing() as conn:
        conn.execute(insert(schema.once), row)
    bench.client.get(address)  # a page shown anew takes back its older token, and nothing else
    with bench.world.database.reading() as conn:
        kept = {one.purpose for one in conn.execute(schema.once.select())}
    assert kept == {"password", "order"}
    assert confirm_page.TOKEN_MS == 60_000
    assert token_of(html)

"""Signing in: what is refused, how often, what is written down, and what a session is.

Numbers in the comments are requirements of OWASP ASVS 5.0.0.
"""

import re
from unittest.mock import patch

import pytest
from argon2 import extract_parameters
from starlette.testclient import TestClient
from tests.routes.people.conftest import NAMES, OWN, PASSWORD, Guarded

from tallymast.domain.people import Role
from tallymast.routes.passwords import OF_ACCOUNT, OF_ADDRESS, Passwords
from tallymast.routes.who import FRESH_MS, HOUR_MS, IDLE_MS, WHOLE_MS
from tallymast.storage import people

SUE = NAMES[Role.SUPERVISOR]
DAY_MS = 86_400_000


def sign_in(client: TestClient, name: str = SUE, password: str = PASSWORD, **more: str):
    form = {"name": name, "password": password, **more}
    return client.post("/sign-in", data=form, follow_redirects=False)


def sessions(guarded: Guarded) -> list[people.Session]:
    with guarded.world.database.reading() as conn:
        return people.sessions(conn)


def test_a_password_is_kept_as_argon2id_above_the_minimum(kept: str) -> None:
    # 11.4.2, and OWASP Password Storage Cheat Sheet: 47104 KiB, 1 pass, 1 lane at least.
    found = extract_parameters(kept)
    assert found.type.name == "ID"
    assert (found.memory_cost, found.time_cost, found.parallelism) >= (47_104, 1, 1)
    assert PASSWORD not in kept


def test_signing_in_begins_a_session_and_goes_on(guarded: Guarded) -> None:
    client = guarded.client()
    found = sign_in(client, to="/sites/quill-tank")
    assert (found.status_code, found.headers["location"]) == (303, "/sites/quill-tank")
    assert client.get("/account").status_code == 200
    (one,) = sessions(guarded)
    assert one.ends_ms - one.made_ms == WHOLE_MS
    assert guarded.told("session.begin")[0].sentence == "sue signed in."  # 16.3.1


def test_the_cookie_is_as_it_should_be(guarded: Guarded) -> None:
    cookie = sign_in(guarded.client()).headers["set-cookie"]
    # 3.3.2, 3.3.4; over plain HTTP neither Secure nor the __Host- prefix is possible.
    assert cookie.startswith("tallymast=")
    assert "HttpOnly" in cookie
    assert "SameSite=lax" in cookie
    assert "Secure" not in cookie
    secure = TestClient(guarded.app, base_url="https://testserver", headers=OWN)
    found = sign_in(secure)
    cookie = found.headers["set-cookie"]
    assert cookie.startswith("__Host-tallymast=")  # 3.3.1, 3.3.3
    assert "Secure" in cookie
    assert "Path=/" in cookie
    assert "Domain" not in cookie
    assert found.headers["strict-transport-security"] == "max-age=31536000"


def test_the_key_is_random_long_and_not_kept(guarded: Guarded) -> None:
    # 7.2.3: at least 128 bits. 43 characters of base64 are 256.
    keys = set()
    for _ in range(3):
        client = guarded.client()
        sign_in(client)
        keys.add(client.cookies["tallymast"])
    assert len(keys) == 3
    assert all(re.fullmatch(r"[\w-]{43}", key) for key in keys)
    assert not keys & {one.hash for one in sessions(guarded)}


def test_a_session_is_not_taken_over_from_before_signing_in(guarded: Guarded) -> None:
    # 7.2.4, against fixed sessions: a planted key is never made a session.
    client = guarded.client("planted-key-of-somebody-else")
    sign_in(client)
    now = [value for value in client.cookies.jar if value.name == "tallymast"]
    assert "planted-key-of-somebody-else" not in {one.value for one in now if one.domain}
    fixed = guarded.client("planted-key-of-somebody-else")
    assert fixed.get("/account", follow_redirects=False).status_code == 303


def test_signing_in_again_ends_the_session_before(guarded: Guarded) -> None:
    before = guarded.session(Role.VIEWER)
    sign_in(guarded.client(before))
    assert guarded.client(before).get("/account", follow_redirects=False).status_code == 303


@pytest.mark.parametrize("key", ["", "x", "a" * 5000, "..%2f", "ÿ", "0" * 43])
def test_a_forged_session_is_a_stranger(guarded: Guarded, key: str) -> None:
    client = guarded.client()
    raw = f"tallymast={key}".encode("latin-1")
    found = client.get("/account", headers=[(b"cookie", raw)], follow_redirects=False)
    assert found.status_code == 303


def test_a_session_that_was_ended_cannot_be_replayed(guarded: Guarded) -> None:
    # 7.4.1: signing out ends it on the server, not only in the browser.
    key = guarded.session(Role.OPERATOR)
    client = guarded.client(key)
    assert client.post("/sign-out", follow_redirects=False).status_code == 303
    assert guarded.client(key).get("/account", follow_redirects=False).status_code == 303
    assert guarded.told("session.end")[0].actor == "opal"


def test_a_session_ends_when_it_is_not_used_and_when_it_is_old(guarded: Guarded) -> None:
    # 7.3.1, 7.3.2
    world, began = guarded.world, guarded.world.now_ms
    idle, used = guarded.as_(Role.VIEWER), guarded.as_(Role.VIEWER)
    statuses = []
    while world.now_ms < began + WHOLE_MS:
        statuses.append(used.get("/account", follow_redirects=False).status_code)
        world.now_ms += IDLE_MS // 2
    assert set(statuses) == {200}
    assert len(statuses) == 2 * WHOLE_MS // IDLE_MS
    assert used.get("/account", follow_redirects=False).status_code == 303  # a week is over
    world.now_ms = began + IDLE_MS - 1
    assert idle.get("/", follow_redirects=False).status_code == 200
    unused = guarded.as_(Role.VIEWER, ago_ms=IDLE_MS)
    assert unused.get("/", follow_redirects=False).status_code == 303


@pytest.mark.parametrize("name", [SUE, "nobody", "x'; DROP TABLE account; --", "", "\u0000"])
def test_a_wrong_sign_in_says_the_same_whoever_is_meant(guarded: Guarded, name: str) -> None:
    found = sign_in(guarded.client(), name or " ", "not the password")
    assert found.status_code == 403
    assert "do not belong together" in found.text
    assert "set-cookie" not in found.headers
    (entry,) = guarded.told("session.refuse")
    assert "not the password" not in repr(entry)  # 16.2.5


def test_an_unknown_name_costs_as_much_as_a_known_one(guarded: Guarded) -> None:
    # As many hashes are computed, so that time tells nothing.
    with patch.object(
        Passwords, "is_right", autospec=True, side_effect=Passwords.is_right
    ) as checked:
        sign_in(guarded.client(), "nobody", "whatever it is")
        sign_in(guarded.client(), SUE, "whatever it is")
    assert checked.call_count == 2
    nobody, known = (call.args[2] for call in checked.call_args_list)
    assert nobody is None
    assert known


def test_a_closed_account_and_one_without_a_password_do_not_sign_in(guarded: Guarded) -> None:
    with guarded.world.database.writing() as conn:
        people.set_open(conn, guarded.ids[Role.VIEWER], False, at_ms=1)
        people.add_account(conn, "new", Role.VIEWER, at_ms=1)
    assert sign_in(guarded.client(), "vi").status_code == 403
    assert sign_in(guarded.client(), "new", "").status_code in (403, 422)
    whys = [entry.after["why"] for entry in guarded.told("session.refuse")]
    assert "the account is closed" in whys


def test_guessing_at_an_account_is_slowed_down(guarded: Guarded) -> None:
    # 6.3.1; the right password does not help either, so that guessing tells nothing.
    with patch.object(Passwords, "is_right", return_value=False):
        statuses = [
            sign_in(guarded.client(address=f"198.51.100.{n}")).status_code
            for n in range(OF_ACCOUNT + 2)
        ]
    assert statuses == [403] * OF_ACCOUNT + [429, 429]
    found = sign_in(guarded.client())
    assert found.status_code == 429
    assert "wait a quarter of an hour" in found.text
    assert found.headers["retry-after"] == "900"
    assert guarded.told("session.refuse")[0].after["why"] == "too many attempts"
    assert sign_in(guarded.client(), NAMES[Role.VIEWER]).status_code == 303  # the others may


def test_guessing_from_an_address_is_slowed_down(guarded: Guarded) -> None:
    with patch.object(Passwords, "is_right", return_value=False):
        one = [
            sign_in(guarded.client(address=f"2001:db8::{n:x}"), f"name{n}").status_code
            for n in range(OF_ADDRESS + 1)  # one network of 64 bits is one guesser
        ]
    assert one == [403] * OF_ADDRESS + [429]
    assert sign_in(guarded.client(address="2001:db8:0:1::1")).status_code == 303


def test_a_flood_of_refusals_does_not_fill_the_record(guarded: Guarded) -> None:
    client = guarded.as_(Role.VIEWER)
    for _ in range(60):
        assert client.get("/audit").status_code == 403
    assert len(guarded.told("request.refuse")) <= 20


def test_the_right_password_clears_the_count(guarded: Guarded) -> None:
    with patch.object(Passwords, "is_right", return_value=False):
        for _ in range(OF_ACCOUNT - 1):
            sign_in(guarded.client())
    assert sign_in(guarded.client()).status_code == 303
    with patch.object(Passwords, "is_right", return_value=False):
        assert sign_in(guarded.client()).status_code == 403


@pytest.mark.parametrize(
    "to",
    [
        "https://example.org/",
        "//example.org",
        "/\\example.org",
        "javascript:alert(1)",
        "\\\\example.org",
        "/a\nb",
    ],
)
def test_signing_in_never_goes_on_to_another_server(guarded: Guarded, to: str) -> None:
    assert sign_in(guarded.client(), to=to).headers["location"] == "/"


def test_too_many_hashes_at_once_are_sent_away_in_a_sentence(guarded: Guarded) -> None:
    gate = guarded.app.state.gate
    gate.passwords._turns.acquire()
    gate.passwords._turns.acquire()
    with patch("tallymast.routes.passwords.WAIT_S", 0.0):
        found = sign_in(guarded.client())
    assert found.status_code == 503
    assert "Try again in a minute" in found.text
    gate.passwords._turns.release()
    assert sign_in(guarded.client()).status_code == 303


# --- the password again ---------------------------------------------------------------


def test_dangerous_acts_ask_for_the_password_again(guarded: Guarded) -> None:
    # 7.5.3; the form is kept and goes on once the password is given.
    client = guarded.as_(Role.SUPERVISOR, ago_ms=FRESH_MS)
    form = {"name": "newcomer", "role": "viewer"}
    asked = client.post("/people", data=form)
    assert asked.status_code == 403
    assert 'name="password-again"' in asked.text
    assert '<input type="hidden" name="name" value="newcomer">' in asked.text
    wrong = client.post("/people", data={**form, "password-again": "not it at all"})
    assert wrong.status_code == 403
    assert "nothing was changed" in wrong.text
    assert guarded.told("password.refuse")
    assert not guarded.told("account.make")
    done = client.post("/people", data={**form, "password-again": PASSWORD})
    assert done.status_code == 200
    assert "/welcome?key=" in done.text
    assert client.post("/people/newcomer/close", follow_redirects=False).status_code == 303


def test_ending_polling_where_outputs_drop_asks_for_the_password_again(guarded: Guarded) -> None:
    client = guarded.as_(Role.OPERATOR, ago_ms=FRESH_MS)
    form = {"kind": "not-polled", "reason": "winter", "hours": "4", "confirmed": "true"}
    until = {"reason": "winter", "until": "2026-03-08T12:00:00Z"}
    path = "/sites/quill-tank/acts"
    with (
        patch("tallymast.routes.acts_page.drops", return_value=["Pump (OUT1) goes off"]),
        patch("tallymast.routes.api.acts.drops", return_value=["Pump (OUT1) goes off"]),
    ):
        assert 'name="password-again"' in client.post(path, data=form).text
        refused = client.post("/api/v1/sites/quill-tank/not-polled", json=until)
        assert refused.status_code == 403
        assert "too long ago" in refused.json()["detail"]
        assert not guarded.told("site")
        calm = client.post(path, data={**form, "kind": "maintenance"}, follow_redirects=False)
        assert calm.status_code == 303  # maintenance drops nothing
        again = {**form, "password-again": PASSWORD}
        assert client.post(path, data=again, follow_redirects=False).status_code == 303
        assert client.post("/api/v1/sites/quill-tank/not-polled", json=until).status_code == 201
    assert [one.action for one in guarded.told("site")] == [
        "site.not-polled",
        "site.not-polled",
        "site.maintenance",
    ]


def test_what_was_typed_cannot_break_out_of_the_form_that_carries_it(guarded: Guarded) -> None:
    client = guarded.as_(Role.SUPERVISOR, ago_ms=FRESH_MS)
    asked = client.post("/people", data={"name": '"><script>alert(1)</script>', "role": "viewer"})
    assert "<script>alert" not in asked.text


def test_a_recent_sign_in_is_not_asked_again(guarded: Guarded) -> None:
    client = guarded.as_(Role.SUPERVISOR, ago_ms=FRESH_MS - 1)
    assert client.post("/people/vi/link").status_code == 200


# --- one-time links -------------------------------------------------------------------


def a_link(guarded: Guarded, **change: object) -> str:
    key, now_ms = people.new_key(), guarded.world.now_ms
    fields = {
        "account_id": guarded.ids[Role.VIEWER],
        "at_ms": now_ms,
        "ends_ms": now_ms + HOUR_MS,
    } | change
    with guarded.world.database.writing() as conn:
        people.add_link(conn, key, "password", "vi", **fields)  # type: ignore[arg-type]
    return key


def choose(client: TestClient, key: str, password: str = "five grebes on the weir", **more: str):
    form = {"key": key, "password": password, "password_again": password, **more}
    return client.post("/welcome", data=form, follow_redirects=False)


def test_a_link_works_once_and_signs_in(guarded: Guarded) -> None:
    key, old = a_link(guarded), guarded.session(Role.VIEWER)
    client = guarded.client()
    assert "Welcome, vi" in client.get(f"/welcome?key={key}").text
    assert choose(client, key).status_code == 303
    assert client.get("/account").status_code == 200
    assert guarded.client(old).get("/account", follow_redirects=False).status_code == 303  # 7.4.3
    again = choose(guarded.client(), key)
    assert again.status_code == 404
    assert "used before" in again.text
    assert guarded.told("link.refuse")
    assert sign_in(guarded.client(), "vi", "five grebes on the weir").status_code == 303


def test_a_link_ends_and_a_newer_one_replaces_it(guarded: Guarded) -> None:
    old = a_link(guarded)
    new = a_link(guarded)
    assert guarded.client().get(f"/welcome?key={old}").status_code == 404
    guarded.world.now_ms += HOUR_MS
    assert guarded.client().get(f"/welcome?key={new}").status_code == 404


def test_a_link_of_a_closed_account_is_spoilt(guarded: Guarded) -> None:
    key = a_link(guarded)
    with guarded.world.database.writing() as conn:
        people.set_open(conn, guarded.ids[Role.VIEWER], False, at_ms=1)
    assert choose(guarded.client(), key).status_code == 404


def test_a_bad_password_does_not_use_the_link_up(guarded: Guarded) -> None:
    key = a_link(guarded)
    found = choose(guarded.client(), key, "short")
    assert found.status_code == 422
    assert "at least 12 characters" in found.text
    assert choose(guarded.client(), key).status_code == 303


def test_the_page_of_a_link_is_kept_nowhere(guarded: Guarded) -> None:
    found = guarded.client().get(f"/welcome?key={a_link(guarded)}")
    assert found.headers["cache-control"] == "no-store"
    assert found.headers["referrer-policy"] == "same-origin"


def test_a_password_can_be_pasted_and_filled_in_by_a_manager(guarded: Guarded) -> None:
    # 6.2.7: nothing watches the fields, and they say what they are.
    page = guarded.client().get("/sign-in").text
    assert 'autocomplete="username"' in page
    assert 'autocomplete="current-password"' in page
    assert "<script" not in page
    assert "onpaste" not in page
    welcome = guarded.client().get(f"/welcome?key={a_link(guarded)}").text
    assert welcome.count('autocomplete="new-password"') == 2


def test_passwords_never_grow_old(guarded: Guarded) -> None:
    # 6.2.10: no forced rotation.
    guarded.world.now_ms += 5 * 365 * DAY_MS
    assert sign_in(guarded.client()).headers["location"] == "/"

"""One's own account and the people: what each act does, and what it leaves alone."""

import re

import pytest
from starlette.testclient import TestClient
from tests.routes.people.conftest import PASSWORD, Guarded
from tests.routes.people.test_door import sign_in

from tallymast.domain.people import Role
from tallymast.storage import people

NEW = "five grebes on the weir"


def change(client: TestClient, old: str = PASSWORD, new: str = NEW, again: str = NEW) -> int:
    form = {"old": old, "password": new, "password_again": again}
    return client.post("/account/password", data=form, follow_redirects=False).status_code


def is_in(client: TestClient) -> bool:
    return client.get("/account", follow_redirects=False).status_code == 200


def test_a_new_password_ends_the_other_sessions(guarded: Guarded) -> None:
    # ASVS 5.0.0 7.4.3
    here, there = guarded.as_(Role.OPERATOR), guarded.as_(Role.OPERATOR)
    assert change(here) == 303
    assert (is_in(here), is_in(there)) == (True, False)
    assert sign_in(guarded.client(), "opal").status_code == 403
    assert sign_in(guarded.client(), "opal", NEW).status_code == 303
    assert guarded.told("password.change")[0].sentence.startswith("opal changed the own password")


@pytest.mark.parametrize(
    ("old", "new", "again", "status"),
    [
        ("wrong old one", NEW, NEW, 403),
        (PASSWORD, NEW, "another", 422),
        (PASSWORD, "short", "short", 422),
        (PASSWORD, "password123456", "password123456", 422),
    ],
)
def test_a_refused_change_changes_nothing(
    guarded: Guarded, old: str, new: str, again: str, status: int
) -> None:
    here, there = guarded.as_(Role.OPERATOR), guarded.as_(Role.OPERATOR)
    assert change(here, old, new, again) == status
    assert is_in(there)
    assert sign_in(guarded.client(), "opal").status_code == 303


def test_sessions_are_seen_and_ended_by_their_owner_alone(guarded: Guarded) -> None:
    # ASVS 5.0.0 7.5.2
    here, there = guarded.as_(Role.OPERATOR), guarded.as_(Role.OPERATOR)
    foreign = guarded.as_(Role.VIEWER)
    hashes = re.findall(r'name="which" value="([0-9a-f]{64})"', here.get("/account").text)
    assert len(hashes) == 1  # the other; this one is left by signing out
    foreign.post("/account/sessions/end", data={"which": hashes[0]})
    assert is_in(there)
    here.post("/account/sessions/end", data={"which": hashes[0]})
    assert (is_in(here), is_in(there), is_in(foreign)) == (True, False, True)


def test_all_others_end_at_once(guarded: Guarded) -> None:
    here, there, third = (guarded.as_(Role.OPERATOR) for _ in range(3))
    here.post("/account/sessions/end", data={"which": "others"})
    assert (is_in(here), is_in(there), is_in(third)) == (True, False, False)
    assert guarded.told("session.close")[0].sentence == "opal ended 2 of opal's sessions."


def test_a_token_is_shown_once_and_acts_in_its_persons_name(guarded: Guarded) -> None:
    client = guarded.as_(Role.TECHNICIAN)
    form = {"name": "night report", "role": "operator", "days": "30"}
    shown = client.post("/account/tokens", data=form).text
    (key,) = re.findall(r"<code>(tm_[\w-]{43})</code>", shown)
    assert key not in client.get("/account").text
    script = guarded.client()
    script.headers["authorization"] = f"Bearer {key}"
    assert script.post("/api/v1/sites/quill-tank/poll").status_code == 202
    assert guarded.told("site.poll")[0].actor == "tess (night report)"
    assert script.get("/gateways/mast/line").status_code == 403  # a technician's right
    (number,) = re.findall(r'name="number" value="(\d+)"', client.get("/account").text)
    guarded.as_(Role.VIEWER).post("/account/tokens/end", data={"number": number})
    assert script.get("/api/v1/sites").status_code == 200  # not theirs to end
    client.post("/account/tokens/end", data={"number": number})
    refused = script.get("/api/v1/sites")
    assert refused.status_code == 401
    assert "does not hold" in refused.json()["detail"]


def test_a_token_needs_no_same_site_but_a_session_does(guarded: Guarded) -> None:
    path, foreign = "/api/v1/sites/quill-tank/poll", {"sec-fetch-site": "cross-site"}
    bearer = {"authorization": f"Bearer {guarded.token(Role.OPERATOR)}"}
    assert guarded.client().post(path, headers={**foreign, **bearer}).status_code == 202
    assert guarded.as_(Role.OPERATOR).post(path, headers=foreign).status_code == 403


def test_a_token_never_outlives_or_outdoes_its_account(guarded: Guarded) -> None:
    key = guarded.token(Role.SUPERVISOR, of=Role.OPERATOR)
    script = guarded.client()
    script.headers["authorization"] = f"Bearer {key}"
    assert script.get("/api/v1/audit").status_code == 403
    assert script.get("/api/v1/sites").status_code == 200
    with guarded.world.database.writing() as conn:
        people.set_open(conn, guarded.ids[Role.OPERATOR], False, at_ms=1)
    assert script.get("/api/v1/sites").status_code == 401


def test_a_token_ends_on_its_day(guarded: Guarded) -> None:
    script = guarded.client()
    script.headers["authorization"] = f"Bearer {guarded.token(Role.VIEWER, days=1)}"
    guarded.world.now_ms += 86_400_000 - 1
    assert script.get("/api/v1/sites").status_code == 200
    guarded.world.now_ms += 1
    assert script.get("/api/v1/sites").status_code == 401


def test_nobody_makes_a_token_above_the_own_role(guarded: Guarded) -> None:
    form = {"name": "x", "role": "supervisor", "days": "1"}
    found = guarded.as_(Role.OPERATOR).post("/account/tokens", data=form)
    assert found.status_code == 403
    assert "the role operator at most" in found.text


# --- the others -----------------------------------------------------------------------


def test_a_role_holds_from_the_next_request_on(guarded: Guarded) -> None:
    sue, vi = guarded.as_(Role.SUPERVISOR), guarded.as_(Role.VIEWER)
    assert vi.post("/api/v1/sites/quill-tank/poll").status_code == 403
    sue.post("/people/vi/role", data={"role": "operator"})
    assert vi.post("/api/v1/sites/quill-tank/poll").status_code == 202
    (entry,) = guarded.told("account.role")
    assert entry.sentence == "sue made vi a operator; before it was a viewer."
    assert (entry.before, entry.after) == ({"role": "viewer"}, {"role": "operator"})


def test_closing_an_account_ends_its_sessions_at_once(guarded: Guarded) -> None:
    # ASVS 5.0.0 7.4.2
    sue, vi = guarded.as_(Role.SUPERVISOR), guarded.as_(Role.VIEWER)
    sue.post("/people/vi/close")
    assert not is_in(vi)
    assert sign_in(guarded.client(), "vi").status_code == 403
    sue.post("/people/vi/open")
    assert not is_in(vi)  # what ended stays ended
    assert sign_in(guarded.client(), "vi").status_code == 303


def test_a_supervisor_ends_anybodys_sessions_and_tokens(guarded: Guarded) -> None:
    # ASVS 5.0.0 7.4.5
    sue, vi = guarded.as_(Role.SUPERVISOR), guarded.as_(Role.VIEWER)
    key = guarded.token(Role.VIEWER)
    (number,) = re.findall(r'name="number" value="(\d+)"', sue.get("/people").text)
    sue.post("/people/vi/sessions/end")
    sue.post("/people/tokens/end", data={"number": number})
    assert not is_in(vi)
    found = guarded.client().get("/api/v1/sites", headers={"authorization": f"Bearer {key}"})
    assert found.status_code == 401


def test_the_last_supervisor_stays(guarded: Guarded) -> None:
    sue = guarded.as_(Role.SUPERVISOR)
    for path, form in (("close", {}), ("role", {"role": "viewer"})):
        found = sue.post(f"/people/sue/{path}", data=form)
        assert found.status_code == 409
        assert "only supervisor who can sign in" in found.text
    sue.post("/people/tess/role", data={"role": "supervisor"})
    assert sue.post("/people/sue/close", follow_redirects=False).status_code == 303


def test_a_name_that_is_taken_or_unusable_is_refused(guarded: Guarded) -> None:
    sue = guarded.as_(Role.SUPERVISOR)
    assert sue.post("/people", data={"name": "VI", "role": "viewer"}).status_code == 409
    assert sue.post("/people", data={"name": "v i", "role": "viewer"}).status_code == 422
    assert sue.post("/people", data={"name": "new", "role": "emperor"}).status_code == 422
    assert sue.post("/people/nobody/close").status_code == 404


def test_no_page_shows_a_hash_of_a_password(guarded: Guarded, kept: str) -> None:
    sue = guarded.as_(Role.SUPERVISOR)
    sue.post("/people", data={"name": "newcomer", "role": "viewer"})
    for path in ("/people", "/account", "/audit", "/audit.csv", "/api/v1/audit"):
        text = sue.get(path).text
        assert kept not in text
        assert "argon2" not in text

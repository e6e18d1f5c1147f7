"""What comes from other sites, is too large or makes no sense: refused, nothing done."""

import pytest
from tests.routes.people.conftest import Guarded

from tallymast.domain.people import Role
from tallymast.routes.security import LARGEST_BODY

POLL = "/api/v1/sites/quill-tank/poll"
ORIGIN = "http://testserver"


@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},  # another port or name of the same domain
        {"origin": "http://example.org"},
        {"origin": "null"},
        {"origin": "https://testserver"},  # another scheme is another origin
        {"origin": "http://testserver:81"},
        {},  # a cookie, and not a word of where it comes from
    ],
)
def test_a_foreign_page_cannot_act_for_who_is_signed_in(
    guarded: Guarded, headers: dict[str, str]
) -> None:
    # ASVS 5.0.0 3.5.1
    client = guarded.as_(Role.SUPERVISOR)
    del client.headers["sec-fetch-site"]
    found = client.post(POLL, headers=headers)
    assert found.status_code == 403
    assert "another site's page" in found.json()["detail"]
    (entry,) = guarded.told()
    assert entry.sentence.startswith(f"A request to POST {POLL} was refused")
    assert entry.address == "192.0.2.7"


@pytest.mark.parametrize(
    "headers", [{"sec-fetch-site": "same-origin"}, {"sec-fetch-site": "none"}, {"origin": ORIGIN}]
)
def test_the_own_page_can(guarded: Guarded, headers: dict[str, str]) -> None:
    client = guarded.as_(Role.OPERATOR)
    del client.headers["sec-fetch-site"]
    assert client.post(POLL, headers=headers).status_code == 202


def test_signing_in_from_a_foreign_page_is_refused(guarded: Guarded) -> None:
    client = guarded.client()
    form = {"name": "sue", "password": "whatever it is"}
    found = client.post("/sign-in", data=form, headers={"sec-fetch-site": "cross-site"})
    assert found.status_code == 403
    assert "another site" in found.text


def test_a_foreign_name_is_refused(guarded: Guarded) -> None:
    found = guarded.as_(Role.SUPERVISOR).get("/", headers={"host": "rebound.example.org"})
    assert found.status_code == 421
    assert "does not answer under the name" in found.text


@pytest.mark.parametrize("path", ["/sign-in", POLL, "/people", "/sites/quill-tank/notes"])
def test_a_body_that_is_too_large_is_refused_unread(guarded: Guarded, path: str) -> None:
    client = guarded.as_(Role.SUPERVISOR)
    big = {"name": "x" * LARGEST_BODY, "password": "y", "text": "z", "role": "viewer"}
    found = client.post(path, data=big, follow_redirects=False)
    assert found.status_code == 413
    assert "256 kB" in found.text


def test_a_body_without_a_length_is_counted_as_it_comes(guarded: Guarded) -> None:
    client = guarded.as_(Role.SUPERVISOR)
    parts = (b"name=" + b"x" * 65_536 for _ in range(8))
    kind = {"content-type": "application/x-www-form-urlencoded"}
    found = client.post("/people", content=parts, headers=kind)
    assert found.status_code == 413


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("application/json", b"{"),
        ("application/json", b"[" * 20_000),
        ("application/json", b"\xff\xfe"),
        ("application/json", b'{"reason": "x", "until": 1e999}'),
        ("multipart/form-data", b"--"),
        ("multipart/form-data; boundary=a", b"--a\r\nbroken"),
        ("application/x-www-form-urlencoded", b"%ff%fe=%00"),
        ("application/xml", b"<!DOCTYPE x [<!ENTITY e SYSTEM 'file:///etc/passwd'>]><x>&e;</x>"),
        ("", b"\x00" * 100),
    ],
)
@pytest.mark.parametrize(
    "path",
    ["/api/v1/sites/quill-tank/maintenance", "/people", "/sign-in", "/sites/quill-tank/notes"],
)
def test_a_body_that_makes_no_sense_is_refused_in_a_sentence(
    guarded: Guarded, path: str, kind: str, body: bytes
) -> None:
    client = guarded.as_(Role.SUPERVISOR)
    found = client.post(path, content=body, headers={"content-type": kind})
    assert found.status_code in (400, 403, 413, 422)
    assert "Traceback" not in found.text
    assert guarded.told("site") == guarded.told("account") == []


def test_every_answer_is_dressed(guarded: Guarded) -> None:
    for role, path in ((None, "/sign-in"), (Role.SUPERVISOR, "/people"), (None, "/people")):
        headers = guarded.as_(role).get(path, follow_redirects=False).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "form-action 'self'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"

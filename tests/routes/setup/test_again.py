"""What drops outputs asks for the password again; nobody but technicians changes the network."""

from collections.abc import Callable

import pytest
from tests.routes.people.conftest import PASSWORD, Guarded, kept, populate
from tests.routes.setup.setup_world import Setup, inputs

from tallymast.domain.people import Role
from tallymast.domain.setup.effects import Effects

__all__ = ["kept", "populate"]

GATEWAY = "/setup/gateways/mast"
LONG_AGO_MS = 3_600_000


def test_outputs_that_would_drop_ask_for_the_password(
    populate: Callable[..., Guarded], monkeypatch: pytest.MonkeyPatch
) -> None:
    told = Effects((), outputs=("OUT1 at Quill Tank goes off.",))
    monkeypatch.setattr("tallymast.routes.setup.answering.effects", lambda *_: told)
    guarded = populate()
    setup = Setup(guarded.world, guarded.as_(Role.TECHNICIAN, ago_ms=LONG_AGO_MS))
    looked = setup.send(GATEWAY, setup.open(GATEWAY), retries="4")
    again = setup.send(GATEWAY, inputs(looked), step="store")
    assert "Your password again" in again.text
    assert "retries" not in setup.one("gateway", "mast")
    stored = setup.client.post(
        GATEWAY, data={**inputs(again), "password-again": PASSWORD}, follow_redirects=False
    )
    assert stored.status_code == 303
    assert setup.one("gateway", "mast")["retries"] == 4


def test_an_operator_neither_sees_nor_changes_it(populate: Callable[..., Guarded]) -> None:
    client = populate().as_(Role.OPERATOR)
    assert client.get(GATEWAY).status_code == 403
    assert client.post(GATEWAY, data={"retries": "9"}).status_code == 403


def test_a_file_and_an_undo_that_drop_outputs_ask_for_it_too(
    populate: Callable[..., Guarded], monkeypatch: pytest.MonkeyPatch
) -> None:
    told = Effects((), outputs=("OUT1 at Quill Tank goes off.",))
    monkeypatch.setattr("tallymast.routes.setup.changing.effects", lambda *_: told)
    guarded = populate()
    setup = Setup(guarded.world, guarded.as_(Role.TECHNICIAN, ago_ms=LONG_AGO_MS))
    client = setup.client
    sent = {"text": "key,poll_every_s\nquill-tank,45\n"}
    looked = client.post("/setup/import", data=sent)
    path = looked.url.path
    assert path.startswith("/setup/import/")
    again = client.post(path, data={**inputs(looked), "step": "store"})
    assert "Your password again" in again.text
    assert setup.one("site", "quill-tank")["poll_every_s"] == 60
    wrong = client.post(path, data={**inputs(again), "password-again": "another one entirely"})
    assert wrong.status_code == 403
    assert setup.one("site", "quill-tank")["poll_every_s"] == 60
    client.post(path, data={**inputs(again), "password-again": PASSWORD})
    assert setup.one("site", "quill-tank")["poll_every_s"] == 45

    # by another session, whose password was given long ago
    client = guarded.as_(Role.TECHNICIAN, ago_ms=LONG_AGO_MS)
    number = int(
        client.get("/setup/revisions").text.partition("/setup/revisions/")[2].split('"')[0]
    )
    undo = f"/setup/revisions/{number}/undo"
    again = client.post(undo, data={"step": "store", "base": str(number)})
    assert "Your password again" in again.text
    assert setup.one("site", "quill-tank")["poll_every_s"] == 45
    client.post(undo, data={**inputs(again), "password-again": PASSWORD})
    assert setup.one("site", "quill-tank")["poll_every_s"] == 60

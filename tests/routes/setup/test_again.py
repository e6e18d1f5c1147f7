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

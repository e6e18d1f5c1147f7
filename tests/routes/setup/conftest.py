"""Somebody at the setup pages; no page waits for the server that is not there."""

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import World, client, world
from tests.routes.setup.setup_world import Setup

__all__ = ["client", "world"]


@pytest.fixture
def setup(world: World, client: TestClient, monkeypatch: pytest.MonkeyPatch) -> Setup:
    monkeypatch.setattr("tallymast.routes.setup.answering.SEEN_WITHIN_S", 0.0)
    return Setup(world, client)

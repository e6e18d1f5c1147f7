"""The world with outputs, one client in it, and people where a test wants them."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import World
from tests.routes.orders.pump_world import Bench, pump_world
from tests.routes.people.conftest import guarded, kept, populate

from tallymast.routes.app import create_app

__all__ = ["guarded", "kept", "populate"]


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = pump_world(tmp_path)
    yield made
    made.database.close()


@pytest.fixture
def bench(world: World) -> Bench:
    return Bench(world, TestClient(create_app(world.services())))

"""Somebody at the setup pages; no page waits for the server that is not there."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.routes.conftest import NETWORK, World, begin, client
from tests.routes.setup.setup_world import Setup

from tallymast.domain import network_file
from tallymast.files.shelf import Shelf
from tallymast.live import Live
from tallymast.routes.services import NetworkView
from tallymast.storage import network
from tallymast.storage.engine import open_database

__all__ = ["client"]


@pytest.fixture(scope="session")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small world's database, made once: making one takes longer than most tests here."""
    place = tmp_path_factory.mktemp("stored")
    begin(place).database.close()
    return place / "tallymast.sqlite3"


@pytest.fixture
def world(stored: Path, tmp_path: Path) -> Iterator[World]:
    """The small world on a copy of its own."""
    database = open_database(Path(shutil.copy(stored, tmp_path)))
    whole = network_file.build(network_file.parse(NETWORK, ""), "")
    with database.reading() as conn:
        plan = network.load_plan(conn, whole)
    yield World(database, Live(), NetworkView(whole, plan), Shelf(tmp_path / "exports"))
    database.close()


@pytest.fixture
def setup(world: World, client: TestClient, monkeypatch: pytest.MonkeyPatch) -> Setup:
    monkeypatch.setattr("tallymast.routes.setup.answering.SEEN_WITHIN_S", 0.0)
    return Setup(world, client)

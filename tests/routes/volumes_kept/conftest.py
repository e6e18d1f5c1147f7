"""One metered world for all tests of these pages: its hours are computed once, its file copied."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.dialects import database_of
from tests.routes.conftest import World
from tests.routes.volumes_kept.metered_world import metered, reopened

from tallymast.routes.app import create_app


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file of a metered world."""
    made = metered(tmp_path_factory.mktemp("metered"))
    made.database.close()
    assert made.database.file is not None
    return made.database.file


@pytest.fixture
def world(request: pytest.FixtureRequest, filled: Path, tmp_path: Path) -> Iterator[World]:
    if getattr(request, "param", "sqlite") == "postgresql":
        with database_of(request, tmp_path) as database:
            yield metered(tmp_path, database=database)
        return
    file = tmp_path / "tallymast.sqlite3"
    shutil.copyfile(filled, file)
    made = reopened(file)
    yield made
    made.database.close()


@pytest.fixture
def client(world: World) -> Iterator[TestClient]:
    with TestClient(create_app(world.services())) as made:
        yield made

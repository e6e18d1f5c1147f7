"""One metered world for all tests of these pages: its hours are computed once, its file copied."""

import shutil
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from tests.postgres import copy_of, migrated_database
from tests.routes.conftest import World
from tests.routes.volumes_kept.metered_world import metered, reopened

from tallymast.routes.app import create_app
from tallymast.storage.engine import open_database


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file of a metered world."""
    made = metered(tmp_path_factory.mktemp("metered"))
    made.database.close()
    assert made.database.file is not None
    return made.database.file


@pytest.fixture(scope="session")
def filled_postgres(postgres: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The URL of the same on a server."""
    with migrated_database(postgres) as url:
        with closing(open_database(url)) as database:
            metered(tmp_path_factory.mktemp("metered"), database=database)
        yield url


@pytest.fixture
def world(request: pytest.FixtureRequest, filled: Path, tmp_path: Path) -> Iterator[World]:
    if getattr(request, "param", "sqlite") == "postgresql":
        template = request.getfixturevalue("filled_postgres")
        server = request.getfixturevalue("postgres")
        with copy_of(server, template) as url, closing(open_database(url)) as database:
            yield reopened(database, tmp_path)
        return
    file = tmp_path / "tallymast.sqlite3"
    shutil.copyfile(filled, file)
    with closing(open_database(file)) as database:
        yield reopened(database, tmp_path)


@pytest.fixture
def client(world: World) -> Iterator[TestClient]:
    with TestClient(create_app(world.services())) as made:
        yield made

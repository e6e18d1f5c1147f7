"""The small world with people in it: an account a role, and clients that are signed in."""

from collections.abc import Callable
from dataclasses import dataclass

import pytest
from fastapi import FastAPI
from starlette.testclient import TestClient
from tests.routes.conftest import World, client, world

from tallymast.domain.people import Role
from tallymast.routes.app import create_app
from tallymast.routes.passwords import Passwords
from tallymast.routes.who import WHOLE_MS
from tallymast.storage import audit, people
from tallymast.storage.audit import Entry, Wanted

__all__ = ["client", "world"]

PASSWORD = "seven herons on a weir"
NAMES = {Role.VIEWER: "vi", Role.OPERATOR: "opal", Role.TECHNICIAN: "tess", Role.SUPERVISOR: "sue"}
OWN = {"sec-fetch-site": "same-origin"}


@pytest.fixture(scope="session")
def kept() -> str:
    """The hash of PASSWORD; made once, it takes a while on purpose."""
    return Passwords().hash(PASSWORD)


@dataclass
class Guarded:
    """A world with an account a role, and ways to come as each."""

    world: World
    app: FastAPI
    ids: dict[Role, int]

    def client(self, cookie: str | None = None, address: str = "192.0.2.7") -> TestClient:
        made = TestClient(self.app, client=(address, 50_000), headers=OWN)
        if cookie is not None:
            made.cookies.set("tallymast", cookie)
        return made

    def session(self, role: Role, *, ago_ms: int = 0) -> str:
        """Begin a session of a role, perhaps some time ago; return what its browser holds."""
        key, at_ms = people.new_key(), self.world.now_ms - ago_ms
        with self.world.database.writing() as conn:
            people.begin_session(
                conn,
                self.ids[role],
                key,
                at_ms=at_ms,
                ends_ms=at_ms + WHOLE_MS,
                address="192.0.2.7",
            )
        return key

    def as_(self, role: Role | None, *, ago_ms: int = 0) -> TestClient:
        """A client signed in with a role; None for a stranger."""
        return self.client(None if role is None else self.session(role, ago_ms=ago_ms))

    def token(self, role: Role, *, of: Role | None = None, days: int = 1) -> str:
        key = f"tm_{people.new_key()}"
        with self.world.database.writing() as conn:
            people.add_token(
                conn,
                key,
                "a script",
                role,
                account_id=None if of is None else self.ids[of],
                at_ms=self.world.now_ms,
                ends_ms=self.world.now_ms + days * 86_400_000,
            )
        return key

    def told(self, action: str = "") -> list[Entry]:
        """What was written down, the newest first."""
        with self.world.database.reading() as conn:
            return audit.search(conn, Wanted(action=action), 1000)


@pytest.fixture
def populate(world: World, kept: str) -> Callable[..., Guarded]:
    """Put the people in, with viewing open or by login."""

    def put(viewing: str = "login") -> Guarded:
        given = world.services(viewing=viewing)
        with world.database.writing() as conn:
            ids = {
                role: people.add_account(
                    conn, name, role, at_ms=world.now_ms, password_hash=kept
                ).id
                for role, name in NAMES.items()
            }
        return Guarded(world, create_app(given), ids)

    return put


@pytest.fixture
def guarded(populate: Callable[..., Guarded]) -> Guarded:
    return populate()

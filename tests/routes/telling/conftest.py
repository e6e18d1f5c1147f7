"""People, alarms that call, contacts and messages: what the pages of telling show."""

from dataclasses import dataclass, field, replace

import pytest
from starlette.testclient import TestClient
from tests.routes.alarm_world import Told, told
from tests.routes.conftest import NOW_MS, World, client, world
from tests.routes.people.conftest import NAMES, Guarded, kept

from tallymast.domain.model import Priority
from tallymast.domain.people import Role
from tallymast.domain.telling.model import (
    Contact,
    Message,
    MessageKind,
    NewMessage,
    Occurrence,
    Way,
)
from tallymast.routes.app import create_app
from tallymast.storage import ack_links, contacts, messages, people

__all__ = ["client", "kept", "world"]

ANA = Contact(0, "Ana Brook", Way.MAIL, "ana@district.example")
GATE = Contact(0, "Pager desk", Way.WEBHOOK, "https://pager.example/k-71-key", secret="s" * 43)


@dataclass
class Telling:
    """The small world with alarms and people in it, and ways to let people be told."""

    guarded: Guarded
    alarms: Told
    has_password: bool | None = True
    beats: list[int] = field(default_factory=list)  # signs of life that were asked for

    @property
    def now_ms(self) -> int:
        return self.guarded.world.now_ms

    def as_(self, role: Role | None) -> TestClient:
        return self.guarded.as_(role)

    def contact(self, one: Contact = ANA) -> Contact:
        with self.guarded.world.database.writing() as conn:
            return contacts.add(conn, one, NOW_MS)

    def message(self, to: Contact, *times: Occurrence, kind: str = "alarm") -> Message:
        new = NewMessage(
            to.id,
            MessageKind(kind),
            Priority.HIGH,
            "High: Quill Tank: Level high, 4.62 m, limit 4.50 m",
            "Quill Tank: Level high\nhttps://here.example/told/not-a-real-key-1\n",
            times,
            NOW_MS - 60_000,
        )
        with self.guarded.world.database.writing() as conn:
            return messages.store(conn, [new], NOW_MS)[0]

    def link(self, message: Message) -> str:
        with self.guarded.world.database.writing() as conn:
            return f"{ack_links.PATH}/{ack_links.make_ack_link(conn, message.id, NOW_MS)}"

    def used_ms(self, link: str) -> int | None:
        with self.guarded.world.database.reading() as conn:
            found = ack_links.ack_link(conn, link.rpartition("/")[2])
        assert found is not None
        return found.used_ms


@pytest.fixture
def telling(world: World, kept: str) -> Telling:
    alarms = told(world)
    with world.database.writing() as conn:
        ids = {
            role: people.add_account(conn, name, role, at_ms=NOW_MS, password_hash=kept).id
            for role, name in NAMES.items()
        }
    made = Telling(Guarded(world, None, ids), alarms)  # type: ignore[arg-type]
    given = replace(
        alarms.services("login"),
        alarms=alarms.now,
        mail_password=lambda: made.has_password,
        beat=lambda: made.beats.append(NOW_MS),
    )
    made.guarded.app = create_app(given)
    return made

"""Contacts, messages, their log and the links that acknowledge are kept as they were given."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError
from tests.blank import blank

from tallymast.domain.errors import StorageError
from tallymast.domain.model import Priority
from tallymast.domain.people import Role
from tallymast.domain.telling.model import (
    Contact,
    Delivery,
    Message,
    MessageKind,
    NewMessage,
    Occurrence,
    Try,
    TryOutcome,
    Way,
)
from tallymast.domain.telling.settings import MailServer, Security, Telling
from tallymast.storage import ack_links, contacts, messages, people, telling_settings
from tallymast.storage.engine import Database

NOW = 1_772_964_000_000
DAY = 86_400_000
KEY = 'quill"tank_/LVL/high'  # what a person may have named, quotation mark and all
HOOK = Contact(
    0,
    "Desk",
    Way.WEBHOOK,
    "https://hooks.example.org/",
    "s" * 32,
    (Priority.HIGH,),
    ("Town",),
    2,
    False,
)
DANA = Contact(0, "Dana Reyes", Way.MAIL, "dana@example.org")


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    opened = blank(tmp_path / "tallymast.sqlite3")
    yield opened
    opened.close()


@pytest.fixture
def dana(database: Database) -> Contact:
    with database.writing() as conn:
        return contacts.add(conn, DANA, NOW)


def new(contact: Contact, key: str = KEY) -> NewMessage:
    times = (Occurrence(key, NOW - 5),)
    return NewMessage(contact.id, MessageKind.ALARM, Priority.URGENT, "S", "B\n", times, NOW)


def store(database: Database, contact: Contact, key: str = KEY) -> Message:
    with database.writing() as conn:
        return messages.store(conn, [new(contact, key)], NOW)[0]


def try_it(database: Database, message: Message, n: int, outcome: TryOutcome) -> bool:
    state = Delivery.HANDED if outcome is TryOutcome.HANDED else Delivery.WAITING
    one = Try(message.id, n, NOW + n, outcome, "said")
    with database.writing() as conn:
        return messages.tried(conn, one, state, NOW + 1000 * n)


def test_a_contact_comes_back_as_it_was_given_and_a_retired_one_stays_for_its_messages(
    database: Database,
) -> None:
    with database.writing() as conn:
        hook, dana = contacts.add(conn, HOOK, NOW), contacts.add(conn, DANA, NOW)
    assert hook == replace(HOOK, id=hook.id, made_ms=NOW)
    waits = store(database, hook)
    with database.writing() as conn:
        assert contacts.change(conn, replace(dana, level=3), NOW + 1)
        assert contacts.retire(conn, hook.id, NOW + 2)
        assert not contacts.retire(conn, hook.id, NOW + 3)
    with database.reading() as conn:
        assert contacts.in_use(conn) == (replace(dana, level=3),)
        assert contacts.every(conn)[hook.id].retired_ms == NOW + 2
        given_up = messages.of_id(conn, waits.id)
    assert given_up is not None
    assert (given_up.state, given_up.done_ms) == (Delivery.GIVEN_UP, NOW + 2)


def test_a_message_waits_until_it_is_due_and_every_try_is_logged(
    database: Database, dana: Contact
) -> None:
    message = store(database, dana)
    assert message == Message(**_fields(new(dana)), id=message.id, due_ms=NOW)
    assert try_it(database, message, 1, TryOutcome.FAILED)
    with database.reading() as conn:
        assert messages.waiting(conn, NOW + 999) == ()
        (waiting,) = messages.waiting(conn, NOW + 1000)
    assert (waiting.tries, waiting.due_ms) == (1, NOW + 1000)
    assert try_it(database, message, 2, TryOutcome.HANDED)
    assert not try_it(database, message, 3, TryOutcome.HANDED)  # it is over
    with database.reading() as conn:
        assert messages.waiting(conn) == ()
        log = messages.tries(conn, [message.id])[message.id]
        assert messages.last_tries(conn) == {dana.id: log[1]}
    assert [one.outcome for one in log] == [TryOutcome.FAILED, TryOutcome.HANDED]
    with pytest.raises((StorageError, SQLAlchemyError)), database.writing() as conn:
        conn.execute(text("UPDATE message_try SET said = ''"))


def test_messages_are_found_by_page_by_alarm_and_by_time(database: Database, dana: Contact) -> None:
    stored = [store(database, dana, key) for key in (KEY, "quill-tank_/LVL/high", KEY)]
    with database.reading() as conn:
        page = messages.log(conn, limit=2)
        rest = messages.log(conn, before_id=page[-1].id, limit=2)
        assert [one.id for one in (*page, *rest)] == [3, 2, 1]
        assert [one.id for one in messages.of_alarm(conn, KEY)] == [3, 1]
        assert messages.log(conn, state=Delivery.HANDED) == ()
        assert messages.told_since(conn, NOW) == tuple(stored)
        assert messages.told_since(conn, NOW + 1) == ()


def test_a_link_acknowledges_once_and_looking_never_acts(database: Database, dana: Contact) -> None:
    message = store(database, dana)
    with database.writing() as conn:
        key, other = (ack_links.make_ack_link(conn, message.id, NOW) for _ in range(2))
    for _ in range(2):
        with database.reading() as conn:
            found = ack_links.ack_link(conn, key)
            assert found is not None
            assert found.works(NOW)
            assert not found.works(NOW + DAY)  # ours: 24 h
            assert (found.message.alarms, found.contact) == (message.alarms, dana)
            stored = conn.execute(text("SELECT * FROM once")).all()
    assert key not in str(stored)
    with database.writing() as conn:
        assert ack_links.use_ack(conn, key, NOW + DAY) is None
        assert ack_links.use_ack(conn, key, NOW + 1) is not None
        assert ack_links.use_ack(conn, key, NOW + 2) is None
        assert ack_links.use_ack(conn, "made up", NOW) is None
    with database.reading() as conn:
        used, unused = ack_links.ack_link(conn, key), ack_links.ack_link(conn, other)
    assert used is not None
    assert unused is not None
    assert (used.used_ms, unused.used_ms) == (NOW + 1, None)


def test_links_end_with_the_account_and_other_links_leave_them_alone(database: Database) -> None:
    with database.writing() as conn:
        account = people.add_account(conn, "dana", Role.OPERATOR, at_ms=NOW)
        contact = contacts.add(conn, replace(DANA, account_id=account.id), NOW)
        (message,) = messages.store(conn, [new(contact)], NOW)
        key = ack_links.make_ack_link(conn, message.id, NOW)
        ends = NOW + DAY
        people.add_link(conn, "k", "first", "", account_id=None, at_ms=NOW, ends_ms=ends)
        found = ack_links.ack_link(conn, key)
        assert found is not None
        assert found.works(NOW)
        people.set_open(conn, account.id, False, at_ms=NOW)
        assert ack_links.use_ack(conn, key, NOW) is None


def test_settings_come_back_and_hold_no_password(database: Database) -> None:
    with database.reading() as conn:
        assert telling_settings.load(conn) == Telling()
    server = MailServer("mail.example.org", 587, Security.STARTTLS, "tally", "t@example.org")
    told = Telling(server, "https://t.example", 6)
    with database.writing() as conn:
        telling_settings.keep(conn, told, NOW)
    with database.reading() as conn:
        assert telling_settings.load(conn) == told
        stored = conn.execute(text("SELECT value FROM setting WHERE key = 'telling'")).scalar_one()
    assert "password" not in stored


def _fields(one: NewMessage) -> dict[str, object]:
    return {name: getattr(one, name) for name in NewMessage.__dataclass_fields__}

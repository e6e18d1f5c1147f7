"""People are told over real sockets: mail by STARTTLS and AUTH, webhooks signed, dead servers."""

import asyncio
import base64
import hashlib
import hmac
import json
import logging
import shutil
import ssl
import subprocess
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field, replace
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any, cast

import pytest
from aiosmtpd.smtp import SMTP, AuthResult
from sqlalchemy import Connection, text
from tests.routes.conftest import NOW_MS, World, begin

from tallymast import wiring
from tallymast.domain.alarms.model import Alarms, AlarmState, Condition, Standing
from tallymast.domain.alarms.setting_up import alarms_of
from tallymast.domain.errors import StorageError
from tallymast.domain.model import Priority
from tallymast.domain.telling.model import Contact, Delivery, Message, Try, TryOutcome, Way
from tallymast.domain.telling.settings import MailServer, Security, Telling
from tallymast.routes.system import system_lines
from tallymast.storage import ack_links, contacts, messages, telling_settings
from tallymast.storage.engine import Database
from tallymast.telling.book import TellingBook
from tallymast.telling.keeper import TellingKeeper
from tallymast.telling.told import TellingTold
from tallymast.telling.ways import Ways
from tallymast.telling.webhook import (
    content_digest,
    sign,
    signature_base,
    signature_params,
)

MINUTE = 60_000
HIGH = "quill-tank/LVL/high"
SECRET = "a secret of at least thirty-two characters"
DANA = Contact(0, "Dana Réyes", Way.MAIL, "dana@example.org", priorities=tuple(Priority))
DESK = Contact(0, "Desk", Way.WEBHOOK, "", SECRET, tuple(Priority))


# --- servers --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    if shutil.which("openssl") is None:
        pytest.skip("no openssl on PATH to make a certificate with")
    folder = tmp_path_factory.mktemp("certificate")
    key, made = folder / "key.pem", folder / "certificate.pem"
    command = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2"
    also = ["-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost"]
    where = ["-keyout", str(key), "-out", str(made)]
    subprocess.run([*command.split(), *also, *where], check=True, capture_output=True)
    return key, made


@dataclass
class Post:
    """What a mail server was given, and how it answers."""

    refuses: str = ""
    mails: list[EmailMessage] = field(default_factory=list)
    users: list[tuple[str, str]] = field(default_factory=list)

    async def handle_RCPT(self, _s: Any, _x: Any, envelope: Any, address: str, _o: Any) -> str:  # noqa: N802
        if self.refuses:
            return self.refuses
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, _s: Any, _x: Any, envelope: Any) -> str:  # noqa: N802
        mail = message_from_bytes(envelope.content, policy=policy.default)
        self.mails.append(cast("EmailMessage", mail))
        return "250 taken"

    def authenticate(self, _s: Any, _x: Any, _e: Any, _m: str, data: Any) -> AuthResult:
        self.users.append((data.login.decode(), data.password.decode()))
        return AuthResult(success=data.password == b"right", handled=False)


@asynccontextmanager
async def listening(make: Callable[[], asyncio.BaseProtocol]) -> AsyncIterator[int]:
    server = await asyncio.get_running_loop().create_server(make, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()


@asynccontextmanager
async def mail_server(post: Post, certificate: tuple[Path, Path]) -> AsyncIterator[int]:
    key, made = certificate
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(made, key)

    def make() -> SMTP:
        return SMTP(
            post,
            hostname="localhost",
            tls_context=context,
            require_starttls=True,
            auth_required=True,
            authenticator=post.authenticate,
            loop=asyncio.get_running_loop(),
        )

    async with listening(make) as port:
        yield port


@dataclass
class Receiver:
    """What a webhook's receiver was sent; answers with a status of choice."""

    status: str = "204 No Content"
    heard: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)
    asked: asyncio.Event = field(default_factory=asyncio.Event)

    async def answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        first, *lines = (await reader.readuntil(b"\r\n\r\n")).decode().strip().split("\r\n")
        headers = {k.lower(): v for k, v in (line.split(": ", 1) for line in lines)}
        body = await reader.readexactly(int(headers["content-length"]))
        self.heard.append((first, headers, body))
        also = "Location: http://127.0.0.1:1/\r\n" if self.status.startswith("3") else ""
        writer.write(f"HTTP/1.1 {self.status}\r\n{also}Content-Length: 0\r\n\r\n".encode())
        await writer.drain()
        writer.close()
        self.asked.set()


@asynccontextmanager
async def receiving(receiver: Receiver) -> AsyncIterator[str]:
    server = await asyncio.start_server(receiver.answer, "127.0.0.1", 0)
    try:
        yield f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}/in"
    finally:
        server.close()


class Mute(asyncio.Protocol):
    """Takes a connection and never says a word."""

    def __init__(self, taken: asyncio.Event) -> None:
        self._taken = taken

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._taken.set()


# --- the world ------------------------------------------------------------------------------------


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = begin(tmp_path)
    yield made
    made.database.close()


@dataclass
class Town:
    """A world with an alarm that calls, contacts and a keeper; a new keeper is a restart."""

    world: World
    trusted: ssl.SSLContext | None = None
    password: str = "right"
    secrets: dict[str, str] = field(default_factory=dict)
    tries: list[Try] = field(default_factory=list)
    standing: Standing = field(
        default_factory=lambda: Standing(
            AlarmState.UNACKNOWLEDGED, Condition.ABNORMAL, raised_ms=NOW_MS, value="4.75 m"
        )
    )

    def alarms(self) -> Alarms:
        made = {one.key: one for one in alarms_of(self.world.view.network)}
        return Alarms(made, {HIGH: self.standing})

    def set_up(self, *told: Contact, port: int | None = None) -> None:
        server = MailServer("localhost", port, Security.STARTTLS, "tally", "tally@example.org")
        telling = Telling(server if port else None, "https://t.example")
        with self.world.database.writing() as conn:
            telling_settings.keep(conn, telling, NOW_MS)
            for one in told:
                contacts.add(conn, one, NOW_MS)

    def keeper(self, database: Database | None = None, **also: Any) -> TellingKeeper:
        book = TellingBook(database or self.world.database, lambda: self.world.view)
        server = lambda: book.telling.server  # noqa: E731
        ways = Ways(server, self.password, self.secrets, trusted=self.trusted, **also)
        watch = lambda _message, one: self.tries.append(one)  # noqa: E731
        return TellingKeeper(book, self.alarms, ways, lambda: self.world.now_ms, watch)

    def log(self) -> list[Message]:
        with self.world.database.reading() as conn:
            return list(messages.log(conn))


@pytest.fixture
def town(world: World) -> Town:
    return Town(world)


async def once(keeper: TellingKeeper) -> None:
    await keeper.look()
    await keeper.sent()


def played(play: Callable[[], Awaitable[None]]) -> None:
    async def bounded() -> None:
        async with asyncio.timeout(60):  # no test waits for it; a fault ends here
            await play()

    asyncio.run(bounded())


@pytest.fixture
def trusting(town: Town, certificate: tuple[Path, Path]) -> Town:
    town.trusted = ssl.create_default_context(cafile=str(certificate[1]))
    return town


# --- mail -----------------------------------------------------------------------------------------


def test_an_alarm_reaches_its_person_by_mail_once_and_not_again_after_a_restart(
    trusting: Town, certificate: tuple[Path, Path]
) -> None:
    post = Post()

    async def play() -> None:
        async with mail_server(post, certificate) as port:
            trusting.set_up(DANA, port=port)
            for _ in range(2):
                keeper = trusting.keeper()
                await once(keeper)
                trusting.world.now_ms += 2000
                await once(keeper)
                await keeper.close()

    played(play)
    (mail,) = post.mails
    assert post.users == [("tally", "right")]
    assert mail["To"] == "Dana Réyes <dana@example.org>"
    assert mail["Subject"] == "Normal: Quill Tank: Level high, 4.75 m, limit 4.50 m"
    assert mail["Auto-Submitted"] == "auto-generated"  # RFC 3834 §5
    assert mail["Message-ID"] == f"<message-1.{NOW_MS}@example.org>"
    assert mail["Date"] == "Sun, 08 Mar 2026 10:00:00 +0000"
    said = mail.get_content()
    key = said.partition("https://t.example/told/")[2].split()[0]
    (message,) = trusting.log()
    assert (message.state, message.tries) == (Delivery.HANDED, 1)
    assert key not in message.body
    with trusting.world.database.reading() as conn:
        found = ack_links.ack_link(conn, key)
        assert found is not None
        assert [time.key for time in found.message.alarms] == [HIGH]
        assert "right" not in str(conn.execute(text("SELECT * FROM setting")).all())


def test_a_refused_recipient_is_given_up_at_once_and_told_in_a_sentence(
    trusting: Town, certificate: tuple[Path, Path]
) -> None:
    post = Post(refuses="550 5.1.1 no such person")

    async def play() -> None:
        async with mail_server(post, certificate) as port:
            trusting.set_up(DANA, port=port)
            keeper = trusting.keeper()
            await once(keeper)
            assert keeper.trouble() == (
                "Messages about alarms do not reach Dana Réyes. The mail server localhost refused"
                " dana@example.org: 550 5.1.1 no such person"
            )
            await keeper.close()

    played(play)
    assert [one.state for one in trusting.log()] == [Delivery.GIVEN_UP]
    assert [one.outcome for one in trusting.tries] == [TryOutcome.REFUSED]


def test_a_wrong_password_waits_and_the_mail_goes_when_it_is_right(
    trusting: Town, certificate: tuple[Path, Path]
) -> None:
    post = Post()
    trusting.password = "wrong"

    async def play() -> None:
        async with mail_server(post, certificate) as port:
            trusting.set_up(DANA, port=port)
            await once(trusting.keeper())
            trusting.password = "right"
            keeper = trusting.keeper()
            trusting.world.now_ms += MINUTE - 1
            await once(keeper)  # tried again after a minute, not before
            assert len(trusting.tries) == 1
            trusting.world.now_ms += 1001
            await once(keeper)
            assert keeper.trouble() == ""

    played(play)
    assert "refused the user or the password: 535" in trusting.tries[0].said
    assert "wrong" not in trusting.tries[0].said
    assert len(post.mails) == 1


def test_a_password_that_is_not_there_is_asked_for_in_a_sentence(town: Town) -> None:
    town.password = ""
    town.set_up(DANA, port=25)
    played(lambda: once(town.keeper()))
    assert "start polling with TALLYMAST_SMTP_PASSWORD set" in town.tries[0].said


def test_nothing_is_said_to_a_server_that_cannot_show_who_it_is(
    town: Town, certificate: tuple[Path, Path]
) -> None:
    post = Post()

    async def play() -> None:
        async with mail_server(post, certificate) as port:
            town.set_up(DANA, port=port)
            await once(town.keeper())  # believes what the machine believes

    played(play)
    assert "could not show that it is who it should be" in town.tries[0].said
    assert (post.users, post.mails) == ([], [])


def test_a_mail_server_that_never_answers_holds_up_nobody_else(
    trusting: Town, certificate: tuple[Path, Path]
) -> None:
    post, receiver = Post(), Receiver()

    async def play() -> None:
        taken = asyncio.Event()
        async with listening(lambda: Mute(taken)) as dead, receiving(receiver) as address:
            trusting.set_up(DANA, replace(DESK, address=address), port=dead)
            keeper = trusting.keeper()
            await keeper.look()
            await asyncio.gather(taken.wait(), receiver.asked.wait())
            assert 1 not in [one.message_id for one in trusting.tries]  # the mail is in hand
            trusting.world.now_ms += 2000
            await keeper.look()  # looks go on too, and nothing is begun twice
            assert len(receiver.heard) == 1
            await keeper.close(wait_s=0)  # the program ends while the mail is in hand
        async with mail_server(post, certificate) as port:
            trusting.set_up(port=port)
            await once(trusting.keeper())

    played(play)
    assert len(post.mails) == 1
    assert {one.state for one in trusting.log()} == {Delivery.HANDED}


def test_a_server_that_takes_too_long_has_failed(trusting: Town) -> None:
    async def play() -> None:
        taken = asyncio.Event()
        async with listening(lambda: Mute(taken)) as dead:
            trusting.set_up(DANA, port=dead)
            await once(trusting.keeper(mail_s=0.05))

    played(play)
    assert [one.said for one in trusting.tries] == [
        "The mail server localhost did not answer in time."
    ]


# --- webhooks -------------------------------------------------------------------------------------


def test_a_webhook_is_signed_so_that_its_receiver_can_check_it(town: Town) -> None:
    receiver = Receiver()

    async def play() -> None:
        async with receiving(receiver) as address:
            town.set_up(replace(DESK, address=address))
            keeper = town.keeper()
            await once(keeper)
            await keeper.close()

    played(play)
    ((first, headers, body),) = receiver.heard
    assert first == "POST /in HTTP/1.1"
    told = json.loads(body)
    assert told["alarms"] == [{"key": HIGH, "raised_at": "2026-03-08T10:00:00.000Z"}]
    assert told["acknowledge"].startswith("https://t.example/told/")
    # The receiver's side by hand, from RFC 9421 §2.5 and §3.3.3 and RFC 9530 §2.
    digest = f"sha-256=:{base64.b64encode(hashlib.sha256(body).digest()).decode()}:"
    assert headers["content-digest"] == digest
    params = (
        '("@method" "@target-uri" "content-digest" "content-type")'
        f';created={NOW_MS // 1000};keyid="contact-1"'
    )
    assert headers["signature-input"] == f"tallymast={params}"
    base = (
        f'"@method": POST\n"@target-uri": http://{headers["host"]}/in\n'
        f'"content-digest": {digest}\n"content-type": application/json\n'
        f'"@signature-params": {params}'
    )
    right = hmac.new(SECRET.encode(), base.encode(), "sha256").digest()
    assert headers["signature"] == f"tallymast=:{base64.b64encode(right).decode()}:"


def test_a_secret_in_the_environment_signs_and_is_neither_stored_nor_logged(
    town: Town, caplog: pytest.LogCaptureFixture
) -> None:
    receiver, own = Receiver(), "heron weir gate mast lift pond brook spring"
    town.secrets = {"TALLYMAST_WEBHOOK_SECRET_DESK": own}
    caplog.set_level(logging.DEBUG)

    async def play() -> None:
        async with receiving(receiver) as address:
            town.set_up(replace(DESK, address=address))
            await once(town.keeper())
            town.secrets = {"TALLYMAST_WEBHOOK_SECRET_DESK": own[:31]}
            town.world.now_ms += 31 * MINUTE  # it is repeated
            await once(town.keeper())

    played(play)
    ((_, headers, _),) = receiver.heard  # a secret that is too short sends nothing
    params = headers["signature-input"].removeprefix("tallymast=")
    base = (
        f'"@method": POST\n"@target-uri": http://{headers["host"]}/in\n'
        f'"content-digest": {headers["content-digest"]}\n"content-type": application/json\n'
        f'"@signature-params": {params}'
    )
    right = hmac.new(own.encode(), base.encode(), "sha256").digest()  # RFC 9421 §3.3.3
    assert headers["signature"] == f"tallymast=:{base64.b64encode(right).decode()}:"
    assert "SECRET_DESK needs at least 32 characters" in town.tries[-1].said
    assert "message id=1" in caplog.text
    for secret in (own[:31], SECRET):
        assert secret not in caplog.text
    file = town.world.database.file
    assert file is not None
    kept = b"".join(one.read_bytes() for one in file.parent.glob(f"{file.name}*"))
    assert SECRET.encode() in kept  # the other possibility, which was not used
    assert own[:31].encode() not in kept


def test_the_signature_is_that_of_the_published_example() -> None:
    # RFC 9421 appendix B.2.5 and B.1.5 (from memory; that the signature comes out proves it), and
    # RFC 9530 appendix B for the digest of {"hello": "world"} (from memory).
    key = base64.b64decode(
        "uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ=="
    )
    covered = (
        ("date", "Tue, 20 Apr 2021 02:07:55 GMT"),
        ("@authority", "example.com"),
        ("content-type", "application/json"),
    )
    params = signature_params(
        [name for name, _ in covered], created=1618884473, keyid="test-shared-secret"
    )
    signature = sign(key, signature_base(covered, params))
    assert signature == "pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8="
    digest = "sha-256=:X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPE=:"
    assert content_digest(b'{"hello": "world"}') == digest


@pytest.mark.parametrize("status", ["302 Found", "500 Oh no"])
def test_a_webhook_is_never_sent_on_elsewhere_and_tried_again(town: Town, status: str) -> None:
    receiver = Receiver(status)

    async def play() -> None:
        async with receiving(receiver) as address:
            town.set_up(replace(DESK, address=address))
            keeper = town.keeper()
            await once(keeper)
            receiver.status = "200 OK"
            town.world.now_ms += MINUTE
            await once(keeper)
            await keeper.close()

    played(play)
    assert f"refused: {status}" in town.tries[0].said
    assert [one.outcome for one in town.tries] == [TryOutcome.REFUSED, TryOutcome.HANDED]
    assert [one.state for one in town.log()] == [Delivery.HANDED]


# --- a disk that refuses, and the whole -----------------------------------------------------------


class Refusing:
    """A database that reads, and refuses to write while it is told so."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self.refuses = True

    def reading(self) -> Any:
        return self._database.reading()

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        if self.refuses:
            raise StorageError("The disk is full.")
        with self._database.writing() as conn:
            yield conn


def test_while_the_disk_refuses_people_are_told_once_and_it_is_stored_later(town: Town) -> None:
    receiver = Receiver("503 Later")

    async def play() -> None:
        async with receiving(receiver) as address:
            town.set_up(replace(DESK, address=address))
            disk = Refusing(town.world.database)
            keeper = town.keeper(cast("Database", disk))
            await once(keeper)
            assert town.log() == []
            receiver.status = "200 OK"
            for _ in range(3):
                town.world.now_ms += MINUTE
                await once(keeper)
            assert len(receiver.heard) == 2  # refused once, then taken once
            disk.refuses = False
            town.world.now_ms += MINUTE
            await once(keeper)
            await keeper.close()
            await once(town.keeper())  # and a restart tells nothing again

    played(play)
    assert len(receiver.heard) == 2
    (message,) = town.log()
    assert (message.state, message.tries) == (Delivery.HANDED, 2)


def test_a_try_that_cannot_be_stored_is_not_made_again(town: Town) -> None:
    receiver = Receiver()

    async def play() -> None:
        async with receiving(receiver) as address:
            town.set_up(replace(DESK, address=address))
            disk = Refusing(town.world.database)
            disk.refuses = False
            keeper = town.keeper(cast("Database", disk))
            await keeper.look()  # stored; then the disk is full
            disk.refuses = True
            await keeper.sent()
            town.world.now_ms += MINUTE
            await once(keeper)
            assert [one.state for one in town.log()] == [Delivery.WAITING]
            disk.refuses = False
            town.world.now_ms += MINUTE
            await once(keeper)

    played(play)
    assert len(receiver.heard) == 1
    assert [one.state for one in town.log()] == [Delivery.HANDED]


def test_whoever_polls_tells_people_and_pages_alone_do_not(world: World) -> None:
    parts = wiring.assemble(world.database, "all")
    assert parts.telling is not None
    with parts.running():
        assert parts.telling.is_alive()
    assert not parts.telling.is_alive()
    given = wiring.services(parts, "0")
    assert given.telling_trouble() == ""
    trouble = "Messages about alarms do not reach Dana."
    lines = system_lines(replace(given, telling_trouble=lambda: trouble))
    assert trouble in lines  # and so on every page
    assert wiring.assemble(world.database, "web").telling is None


# --- what another process says of it --------------------------------------------------------------


def in_the_head(world: World) -> str:
    """What a process that serves pages alone says of telling in the head of each page."""
    given = wiring.services(wiring.assemble(world.database, "web"), "0")
    said = given.telling_trouble()
    assert not said or said in system_lines(given)
    return said


def test_pages_alone_say_the_same_of_telling_as_the_process_that_sends(town: Town) -> None:
    receiver = Receiver("503 Later")

    async def play() -> None:
        async with receiving(receiver) as address:
            town.set_up(replace(DESK, address=address))
            keeper = town.keeper()
            assert in_the_head(town.world) == ""
            await once(keeper)
            said = "Messages about alarms do not reach Desk. 127.0.0.1 refused: 503 Later"
            assert (keeper.trouble(), in_the_head(town.world)) == (said, said)
            receiver.status = "200 OK"
            town.world.now_ms += MINUTE
            await once(keeper)
            assert (keeper.trouble(), in_the_head(town.world)) == ("", "")
            await keeper.close()

    played(play)


def test_a_fault_of_the_process_that_sends_is_told_by_pages_alone_until_its_next_start(
    town: Town,
) -> None:
    def breaks(_message: Message, _one: Try) -> None:
        raise RuntimeError

    async def play() -> None:
        town.set_up(replace(DANA, address="nobody@example.org"))  # no mail server: it fails at once
        keeper = town.keeper()
        keeper._watch = breaks
        await once(keeper)
        town.world.now_ms += MINUTE
        await once(keeper)
        assert keeper.trouble().startswith("Some people may not be told of alarms, by a fault")
        assert in_the_head(town.world) == keeper.trouble()
        again = town.keeper()
        await once(again)
        assert in_the_head(town.world) == again.trouble()
        assert "do not reach Dana Réyes" in again.trouble()

    played(play)


def test_a_telling_thread_that_ends_says_so_to_other_processes(town: Town) -> None:
    keeper = town.keeper()
    keeper._ended.is_set = lambda: 1 / 0  # type: ignore[method-assign, assignment, return-value]
    with pytest.raises(ZeroDivisionError):
        keeper.run()
    assert in_the_head(town.world).startswith("Nobody is told of alarms: telling has ended")


def test_pages_alone_say_that_nobody_sends_what_waits(town: Town) -> None:
    town.set_up(DANA)
    book = TellingBook(town.world.database, lambda: town.world.view)
    assert book.look(town.alarms(), NOW_MS)  # it is written; then the process is killed
    told = TellingTold(town.world.database, lambda: town.world.now_ms)
    assert told.trouble() == ""
    town.world.now_ms += 9 * MINUTE
    assert told.trouble() == ""
    town.world.now_ms += 3 * MINUTE
    assert told.trouble().startswith("1 message about alarms should have been sent 12 min ago")

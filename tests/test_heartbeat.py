"""A sign of life goes out while the program works, and never else; only the server counts beats."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
from tests.routes.conftest import NOW_MS, World, begin

from tallymast.domain.errors import ConfigError
from tallymast.domain.heartbeat import Heartbeat, wrong
from tallymast.heartbeat import Body, Heart, Told
from tallymast.routes.services import PollerCondition
from tallymast.storage import heartbeat as stored

MINUTE = 60_000


@dataclass
class Receiver:
    """A small server that counts what it is sent."""

    status: int = 204
    seen: list[tuple[str, str, bytes]] = field(default_factory=list)
    url: str = ""


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    known = Receiver()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            known.seen.append((self.command, self.path, body))
            self.send_response(known.status)
            self.send_header("Location", "/elsewhere")
            self.end_headers()

        do_POST = do_GET  # noqa: N815

        def log_message(self, *_: Any) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    known.url = f"http://127.0.0.1:{server.server_port}/beat/secret-key"
    thread = Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    yield known
    server.shutdown()
    thread.join()
    server.server_close()


@dataclass
class Patient:
    """A heart whose clock and body a test moves."""

    world: World
    heart: Heart
    looked: bool = True

    def at(self, minute: float) -> None:
        self.world.now_ms = NOW_MS + round(minute * MINUTE)
        self.heart.step()

    def save(self, beat: Heartbeat) -> None:
        with self.world.database.writing() as conn:
            stored.save(conn, beat)


@pytest.fixture
def patient(tmp_path: Path) -> Iterator[Patient]:
    world = begin(tmp_path)
    made = Patient(world, None)  # type: ignore[arg-type]
    body = Body(
        world.live,
        network=lambda: world.view,
        now_ms=lambda: world.now_ms,
        storage=lambda: world.storage,
        poller=lambda: world.poller,
        looked_ms=lambda: world.now_ms if made.looked else None,
    )
    made.heart = Heart(world.database, body, "1.2.3")
    yield made
    world.database.close()


def test_none_is_sent_until_somebody_sets_it_up(patient: Patient, receiver: Receiver) -> None:
    patient.at(0)
    patient.save(Heartbeat(receiver.url, 5))
    patient.at(0.5)  # the setting is read once a minute
    assert receiver.seen == []
    patient.at(1)
    assert [path for _, path, _ in receiver.seen] == ["/beat/secret-key"]


def test_one_is_sent_every_few_minutes(patient: Patient, receiver: Receiver) -> None:
    patient.save(Heartbeat(receiver.url, 5))
    for half in range(2 * 12):
        patient.at(half / 2)
    assert len(receiver.seen) == 3  # at 0, 5 and 10 min
    assert patient.heart.now().last_ms == NOW_MS + 10 * MINUTE


def test_it_says_the_version_and_nothing_secret(patient: Patient, receiver: Receiver) -> None:
    patient.save(Heartbeat(receiver.url, 5, posts=True))
    patient.at(0)
    ((method, _, body),) = receiver.seen
    assert method == "POST"
    assert json.loads(body) == {"program": "tallymast", "version": "1.2.3", "every_min": 5}


@pytest.mark.parametrize("organ", ["poller", "storage", "alarms"])
def test_a_dead_body_has_no_heartbeat(patient: Patient, receiver: Receiver, organ: str) -> None:
    patient.save(Heartbeat(receiver.url, 1))
    patient.at(0)
    kept = patient.world.storage, patient.world.poller
    if organ == "poller":
        patient.world.poller = PollerCondition("standing")
    elif organ == "storage":
        patient.world.storage = type(kept[0])("failing", NOW_MS, 3, 0)
    else:
        patient.looked = False
    for minute in range(1, 6):
        patient.at(minute)
    assert len(receiver.seen) == 1
    assert patient.heart.now().held
    patient.world.storage, patient.world.poller = kept
    patient.looked = True
    patient.at(6)
    assert len(receiver.seen) == 2
    assert not patient.heart.now().held


def test_a_failure_is_kept_and_tried_again_each_minute(
    patient: Patient, receiver: Receiver
) -> None:
    receiver.status = 302
    patient.save(Heartbeat(receiver.url, 1))
    for minute in range(4):
        patient.at(minute)
    now = patient.heart.now()
    assert [path for _, path, _ in receiver.seen] == ["/beat/secret-key"] * 4  # none followed
    assert (now.in_a_row, now.last_ms) == (4, None)
    assert "sends on to another address" in now.failed
    assert "secret" not in now.failed
    assert now.is_late(patient.world.now_ms)  # 3 min are more than two periods of 1
    assert not now.is_late(patient.world.now_ms - MINUTE)
    assert Told(patient.world.database, lambda: patient.world.now_ms).now() == now
    receiver.status = 500
    patient.at(4)
    assert "(500)" in patient.heart.now().failed
    receiver.status = 200
    patient.at(5)
    assert not patient.heart.now().is_late(patient.world.now_ms)


def test_a_receiver_that_is_not_there_is_told_without_its_address(patient: Patient) -> None:
    patient.save(Heartbeat("http://127.0.0.1:9/secret-key", 5))
    patient.at(0)
    assert patient.heart.now().failed == "No connection to the receiver can be made."


@pytest.mark.parametrize(
    "beat",
    [
        Heartbeat("ftp://watch.example.org/"),
        Heartbeat("file:///etc/passwd"),
        Heartbeat("https://"),
        Heartbeat("https://opal:pw@watch.example.org/"),
        Heartbeat("https://watch.example.org/a b"),
        Heartbeat("https://watch.example.org:port/"),
        Heartbeat("https://watch.example.org/", 0),
        Heartbeat("https://watch.example.org/", 1441),
    ],
)
def test_what_cannot_be_used_is_refused_in_a_sentence(beat: Heartbeat) -> None:
    (sentence,) = wrong(beat)
    assert sentence.endswith(".")


def test_what_is_refused_is_not_kept(patient: Patient) -> None:
    with pytest.raises(ConfigError, match="every 1 to 1440 minutes"):
        patient.save(Heartbeat("https://watch.example.org/", 0))
    with patient.world.database.reading() as conn:
        assert stored.load(conn) == Heartbeat()

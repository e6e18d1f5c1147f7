"""How long it takes from an input at a station to a mail in the mail server's hands.

Simulated stations, poller, alarms and telling run in this process, as in ``serve``; the mail server
is a real one on this machine. Each site has a contact that calls when it opens, without a delay of
its own, an area and a person of its own, so that no message waits to come with others. Two equal
readings raise the alarm, so one poll period is in every figure.
"""

import asyncio
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random
from typing import Any

import numpy as np

from tallymast import networks, wiring
from tallymast.domain import network_file
from tallymast.domain.errors import ConfigError
from tallymast.domain.telling.model import Contact, Digest, Way
from tallymast.domain.telling.settings import MailServer, Security, Telling
from tallymast.simulator.radio_network import RadioNetwork
from tallymast.storage import contacts, telling_settings
from tallymast.storage.engine import Database, open_database

PERIOD_S = 1
WARM_UP_S = 4.0
WAIT_S = 30.0
_HEAD = """
title = "Bench"
time_zone = "UTC"

[[gateway]]
key = "mast"
name = "Mast"
transport = "modbus-tcp"
address = "127.0.0.1:5020"
baud = 115200
min_gap_ms = 0

[[profile]]
key = "hatch"

  [[profile.point]]
  tag = "HATCH"
  name = "Hatch"
  kind = "discrete-input"
  table = "input"
  register = 0
  layout = "bool"
  bit = 0
  words = ["shut", "open"]
  alarm_when = "open"
  priority = "urgent"
"""
_SITE = """
[[site]]
key = "site-{n}"
name = "Site {n}"
area = "Area {n}"
gateway = "mast"
unit = {n}
profile = "hatch"
poll_every_s = 1
turnaround_ms = 5
"""


class _Taken:
    """What a mail server took, and when [monotonic s], by recipient."""

    def __init__(self) -> None:
        self.at_s: dict[str, float] = {}
        self._news = threading.Condition()

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:  # noqa: N802
        """Take a mail."""
        with self._news:
            self.at_s.setdefault(envelope.rcpt_tos[0], time.monotonic())
            self._news.notify_all()
        return "250 taken"

    def wait(self, count: int) -> None:
        """Wait until so many people were written to, or for half a minute."""
        with self._news:
            self._news.wait_for(lambda: len(self.at_s) >= count, WAIT_S)


def run(times: int = 30, seed: int = 1) -> dict[str, object]:
    """Open ``times`` hatches at random instants and wait for the mails.

    Args:
        times: how many sites and people; each opens once, 100 at most.
        seed: of the instants.

    Returns:
        ``input_to_mail_ms_p50`` and ``_p99`` from the input's change to the mail server's having
        the mail; ``mails`` that came of ``inputs`` that changed; ``poll_period_s``.

    """
    if not 1 <= times <= 100:
        raise ConfigError("bench telling takes --times from 1 to 100.")
    text = _HEAD + "".join(_SITE.format(n=n + 1) for n in range(times))
    taken = _Taken()
    with (
        tempfile.TemporaryDirectory() as folder,
        _mail_server(taken) as port,
        RadioNetwork(network_file.read(text, "bench")[1]) as radio,
    ):
        addresses = {key: f"{host}:{number}" for key, (host, number) in radio.start().items()}
        database = open_database(Path(folder) / "tallymast.sqlite3")
        try:
            networks.bring_network(database, text, "bench")
            _set_up(database, port, times)
            with wiring.assemble(database, "all", addresses).running():
                opened = _open(radio, times, Random(seed))
                taken.wait(times)
        finally:
            database.close()
    return _figures(opened, taken.at_s)


def _set_up(database: Database, port: int, times: int) -> None:
    server = MailServer("127.0.0.1", port, Security.NONE, "", "tallymast@example.org")
    with database.writing() as conn:
        telling_settings.keep(conn, Telling(server), wiring.now_ms())
        for n in range(times):
            address, areas = _person(n), (f"Area {n + 1}",)
            one = Contact(0, f"Person {n + 1}", Way.MAIL, address, areas=areas, digest=Digest.NONE)
            contacts.add(conn, one, wiring.now_ms())


def _person(n: int) -> str:
    return f"person-{n + 1}@example.org"


def _open(radio: RadioNetwork, times: int, chance: Random) -> dict[str, float]:
    """Shut every hatch, then open one after the other; return when [monotonic s], by person."""
    for n in range(times):
        radio.station(f"site-{n + 1}").hold("HATCH", 0)
    time.sleep(WARM_UP_S)
    opened = {}
    for n in range(times):
        time.sleep(chance.uniform(0.1, 0.6))
        opened[_person(n)] = time.monotonic()
        radio.station(f"site-{n + 1}").hold("HATCH", 1)
    return opened


def _figures(opened: dict[str, float], taken: dict[str, float]) -> dict[str, object]:
    took = [(taken[one] - at_s) * 1000 for one, at_s in opened.items() if one in taken]
    p50, p99 = np.percentile(took, (50, 99)) if took else (None, None)
    return {
        "input_to_mail_ms_p50": None if p50 is None else round(float(p50)),
        "input_to_mail_ms_p99": None if p99 is None else round(float(p99)),
        "mails": len(took),
        "inputs": len(opened),
        "poll_period_s": PERIOD_S,
    }


@contextmanager
def _mail_server(taken: _Taken) -> Iterator[int]:
    """Run a mail server on this machine for a block; give its port."""
    make = _protocol(taken)
    loop = asyncio.new_event_loop()
    server = loop.run_until_complete(loop.create_server(lambda: make(loop), "127.0.0.1", 0))
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        server.close()
        loop.close()


def _protocol(taken: _Taken) -> Callable[[asyncio.AbstractEventLoop], asyncio.BaseProtocol]:
    try:
        from aiosmtpd.smtp import SMTP
    except ImportError as error:
        raise ConfigError(
            "bench telling needs a mail server to write to: install aiosmtpd (the test extra)."
        ) from error
    return lambda loop: SMTP(taken, hostname="localhost", loop=loop)

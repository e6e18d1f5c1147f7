"""Sends a sign of life to somebody outside, who calls when it stays out.

Of a program, a computer or a line that has ended nothing here can tell. A heart that beats for a
dead body would be worse than none: it is sent only while sites are polled, readings stored,
alarms looked for, and no desk beside polling stands still. It has a thread of its own, so that a
receiver that is slow delays nothing.
"""

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import httpx

from tallymast.domain.desks import Standstill
from tallymast.domain.errors import StorageError
from tallymast.domain.health.attention import late_after_ms
from tallymast.domain.heartbeat import Heartbeat, HeartbeatNow
from tallymast.domain.model import GatewayStatus
from tallymast.live import Live
from tallymast.routes.services import NetworkView, PollerCondition, StorageCondition
from tallymast.steady import Steady
from tallymast.storage import heartbeat as stored
from tallymast.storage.engine import Database

log = logging.getLogger(__name__)

TIMEOUT_S: Final = 10.0
LOOK_S: Final = 5.0  # ours: how often it is looked whether one is due
MINUTE_MS: Final = 60_000  # ours: how often the setting is read, and a failed one sent anew
BLIND_MS: Final = 120_000  # ours: alarms are looked for each second


@dataclass(frozen=True)
class Body:
    """What has to live for the heart to beat.

    Attributes:
        live: the newest states.
        network: as it is now.
        now_ms: the wall clock.
        storage: how storing goes.
        poller: how polling goes.
        looked_ms: when alarms were looked for last.
        desks: which desks stand still.

    """

    live: Live
    network: Callable[[], NetworkView]
    now_ms: Callable[[], int]
    storage: Callable[[], StorageCondition]
    poller: Callable[[], PollerCondition]
    looked_ms: Callable[[], int | None]
    desks: Callable[[], tuple[Standstill, ...]] = tuple

    def ails(self) -> str:
        """Return what does not work, a sentence; empty: all does."""
        if self.poller().state != "polling":
            return "Nobody polls the sites."
        if self.storage().state == "failing":
            return "Readings cannot be stored."
        now_ms, looked_ms = self.now_ms(), self.looked_ms()
        if looked_ms is None or now_ms - looked_ms > BLIND_MS:
            return "Nobody looks for alarms."
        for one in self.desks():
            return f"{one.name} stands still."
        return "No site is polled in its time." if self._is_standing(now_ms) else ""

    def _is_standing(self, now_ms: int) -> bool:
        """Whether every site that could be asked is overdue; a lost gateway is another matter."""
        states, gateways = self.live.sites(), self.live.gateways()
        ages = [
            now_ms - state.last_poll_ms - late_after_ms(plan.site)
            for gateway in self.network().gateways
            if (known := gateways.get(gateway.gateway_id)) is not None
            and known.status is GatewayStatus.CONNECTED
            for plan in gateway.sites
            if plan.is_polled
            and (state := states.get(plan.site_id)) is not None
            and state.last_poll_ms is not None
            and state.probe_s is None
        ]
        return bool(ages) and min(ages) > 0


class Heart(threading.Thread):
    """Beats as it is set up until stopped.

    Args:
        database: holds the setting; what became of beats is kept there for other processes.
        body: what has to live.
        version: of this program, told to the receiver.

    """

    def __init__(self, database: Database, body: Body, version: str) -> None:
        super().__init__(name="heartbeat", daemon=True)
        self._database = database
        self._body = body
        self._version = version
        self._ended = threading.Event()
        self._asked = threading.Event()
        self._beat = Heartbeat()
        self._read_ms: int | None = None
        self._tried_ms: int | None = None
        self._now = HeartbeatNow()
        self._kept: HeartbeatNow | None = None
        self.steady = Steady("heartbeat", body.now_ms)

    def now(self) -> HeartbeatNow:
        """Return how sending goes."""
        return self._now

    def hurry(self) -> None:
        """Have one sent at the next look, within seconds, as it is set up then."""
        self._asked.set()

    def run(self) -> None:
        """Look every few seconds whether a beat is due."""
        while not self._ended.wait(LOOK_S):
            self.steady.take(self.step)

    def stop(self) -> None:
        """End; a beat in hand is hardly waited for, and what becomes of it not kept."""
        self._ended.set()
        self.join(timeout=1.0)

    def step(self) -> None:
        """Send a beat if one is due and the body lives."""
        now_ms = self._body.now_ms()
        if self._asked.is_set():
            self._asked.clear()
            self._read(now_ms, anew=True)
            self._tried_ms = None
        self._read(now_ms)
        if self._beat.is_on and self._is_due(now_ms):
            held = self._body.ails()
            self._now = replace(self._now, held=held)
            if not held:
                self._tried_ms = now_ms
                self._took(self._send(), now_ms)
        self._keep()

    def _is_due(self, now_ms: int) -> bool:
        if self._tried_ms is None:
            return True
        every_ms = MINUTE_MS if self._now.in_a_row else self._beat.every_min * MINUTE_MS
        return not 0 <= now_ms - self._tried_ms < every_ms

    def _read(self, now_ms: int, anew: bool = False) -> None:
        if not anew and self._read_ms is not None and 0 <= now_ms - self._read_ms < MINUTE_MS:
            return
        try:
            with self._database.reading() as conn:
                beat, told = stored.load(conn), stored.told(conn)
        except StorageError as error:
            log.warning("where the sign of life goes is read later: %s", error)
            return
        is_first, self._read_ms = self._read_ms is None, now_ms
        if beat != self._beat or is_first:
            known = told if is_first and told.host == beat.host else HeartbeatNow()
            self._now = replace(
                known,
                is_on=beat.is_on,
                every_min=beat.every_min,
                host=beat.host,
                since_ms=now_ms,
                held="",
            )
            self._beat, self._tried_ms = beat, None

    def _send(self) -> str:
        """Send one beat; return why it was not taken, a sentence; empty: it was."""
        told = {"program": "tallymast", "version": self._version}
        told_too = {"every_min": self._beat.every_min}
        try:
            with (
                httpx.Client(timeout=TIMEOUT_S, follow_redirects=False) as client,
                client.stream(
                    "POST" if self._beat.posts else "GET",
                    self._beat.url,
                    headers={"User-Agent": f"tallymast/{self._version}"},
                    json={**told, **told_too} if self._beat.posts else None,
                ) as answer,
            ):
                return _refused(answer)
        except (httpx.HTTPError, httpx.InvalidURL, OSError, ValueError) as error:
            return _failed(error)

    def _took(self, failed: str, now_ms: int) -> None:
        if not failed:
            self._now = replace(self._now, last_ms=now_ms, in_a_row=0)
            return
        log.warning("sign of life not taken: %s", failed)
        row = self._now.in_a_row + 1
        self._now = replace(self._now, failed_ms=now_ms, failed=failed, in_a_row=row)

    def _keep(self) -> None:
        if self._now == self._kept or self._ended.is_set():
            return
        try:
            with self._database.writing() as conn:
                stored.tell(conn, self._now)
        except StorageError as error:
            log.warning("what became of the sign of life is kept later: %s", error)
            return
        self._kept = self._now


class Told:
    """What another process keeps of its beats, read now and then."""

    def __init__(self, database: Database, now_ms: Callable[[], int]) -> None:
        self._database = database
        self._now_ms = now_ms
        self._read: tuple[int, HeartbeatNow] | None = None

    def now(self) -> HeartbeatNow:
        """Return how sending goes there, as kept within the last minute."""
        now_ms = self._now_ms()
        if self._read is None or not 0 <= now_ms - self._read[0] < MINUTE_MS:
            try:
                with self._database.reading() as conn:
                    self._read = now_ms, stored.told(conn)
            except StorageError:
                self._read = now_ms, HeartbeatNow()
        return self._read[1]


def _refused(answer: httpx.Response) -> str:
    if answer.is_success:
        return ""
    if answer.is_redirect:
        return f"The receiver sends on to another address ({answer.status_code}); write that one."
    return f"The receiver answers that it does not take it ({answer.status_code})."


def _failed(error: Exception) -> str:
    """Say what failed, without the address: it may hold a key."""
    if isinstance(error, httpx.TimeoutException):
        return f"The receiver does not answer within {TIMEOUT_S:.0f} s."
    if "CERTIFICATE" in str(error).upper():
        return "The receiver's certificate cannot be verified."
    if isinstance(error, httpx.ConnectError):
        return "No connection to the receiver can be made."
    return "The receiver's answer cannot be understood, or its address not be used."

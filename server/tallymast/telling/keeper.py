"""Tells people of alarms, beside polling: looks what is due, and hands over what waits.

Messages are stored by the book (book.py) before they are sent. Each receiver has a lane of
its own: one that never answers holds up its own lane for the length of a timeout, and nothing else.
"""

import asyncio
import logging
import threading
from collections.abc import Callable
from typing import Final, Protocol
from urllib.parse import urlsplit

from tallymast.domain.alarms.model import Alarms
from tallymast.domain.telling.model import Contact, Delivery, Message, Try, TryOutcome, Way
from tallymast.domain.telling.sending import NotHanded, Outgoing, after, is_over
from tallymast.telling.book import Move, TellingBook

log = logging.getLogger(__name__)

LOOK_S: Final = 0.5  # so soon after a look at alarms what it found is told
LOOK_AGAIN_MS: Final = 1000  # where no alarm moved
_LANES: Final = {Way.MAIL: 4, Way.WEBHOOK: 2}  # ours: so many at a time to one server
_LAST_S: Final = 2.0  # what is in hand at the end may take so long

_TOO_LATE: Final = "It waited for longer than a day and would tell nothing any more."
FAULT: Final = "by a fault of the program; its log says more"
ENDED: Final = f"Nobody is told of alarms: telling has ended {FAULT}. Start it again."
FAULTY: Final = f"Some people may not be told of alarms, {FAULT}."


class Sending(Protocol):
    """What hands messages over."""

    async def send(self, outgoing: Outgoing) -> str:
        """Hand one over, and return what was said; raises NotHanded."""

    async def close(self) -> None:
        """Close what is open."""


class TellingKeeper(threading.Thread):
    """Looks and sends until stopped.

    Args:
        book: what was told and what waits.
        alarms: every alarm as it stands.
        ways: hand messages over.
        now_ms: the wall clock.
        watch: is told of every try, for a measurement or a test.

    """

    def __init__(
        self,
        book: TellingBook,
        alarms: Callable[[], Alarms],
        ways: Sending,
        now_ms: Callable[[], int],
        watch: Callable[[Message, Try], None] | None = None,
    ) -> None:
        super().__init__(name="notify", daemon=True)
        self._book = book
        self._alarms = alarms
        self._ways = ways
        self._now_ms = now_ms
        self._watch = watch
        self._lanes: dict[str, asyncio.Semaphore] = {}
        self._tasks: dict[int, asyncio.Task[None]] = {}
        self._stuck: set[int] = set()
        self._seen: Alarms | None = None
        self._looked_ms = 0
        self._ended = threading.Event()
        self._is_faulty = False
        self._kept: str | None = None  # what is stored of faults, as far as it is known

    def run(self) -> None:
        """Look and send until stopped."""
        try:
            asyncio.run(self._main())
        except BaseException:
            self._keep(ENDED)
            raise

    def stop(self) -> None:
        """End; what is in hand may take two seconds more, and is sent after the next start else."""
        self._ended.set()
        self.join()

    def trouble(self) -> str:
        """Return in a sentence why people are not told; empty: they are."""
        if self.ident is not None and not self.is_alive() and not self._ended.is_set():
            return ENDED
        if self._is_faulty:
            return FAULTY
        return self._book.trouble()

    async def look(self) -> None:
        """Write what is due, and begin to send what waits."""
        now = await asyncio.to_thread(self._alarms)
        now_ms = self._now_ms()
        if now is self._seen and 0 <= now_ms - self._looked_ms < LOOK_AGAIN_MS:
            return
        self._seen, self._looked_ms = now, now_ms
        if (fault := FAULTY if self._is_faulty else "") != self._kept:
            await asyncio.to_thread(self._keep, fault)
        for message, contact in await asyncio.to_thread(
            self._book.look, now, now_ms, self._stuck | self._tasks.keys()
        ):
            task = asyncio.create_task(self._deliver(message, contact))
            self._tasks[message.id] = task

    async def sent(self) -> None:
        """Wait until nothing is being sent."""
        while self._tasks:
            await asyncio.wait(list(self._tasks.values()))

    async def close(self, wait_s: float = _LAST_S) -> None:
        """End what is being sent, which may take so long yet [s], and close what is open."""
        if self._tasks:
            _, late = await asyncio.wait(list(self._tasks.values()), timeout=wait_s)
            for task in late:
                task.cancel()
            await asyncio.gather(*late, return_exceptions=True)
        await self._ways.close()

    async def _main(self) -> None:
        while not self._ended.is_set():
            try:
                await self.look()
            except Exception:  # a fault of ours must not end the telling of everything else
                log.exception("telling look failed")
                self._is_faulty = True
            await asyncio.sleep(LOOK_S)
        await self.close()

    def _keep(self, fault: str) -> None:
        """Keep what is at fault where other processes read it; at a start nothing is."""
        if self._book.keep_fault(fault):
            self._kept = fault

    async def _deliver(self, message: Message, contact: Contact) -> None:
        try:
            async with self._lane(contact):
                move = await self._try(message, contact)
            await asyncio.to_thread(self._book.tried, message, move)
            _tell(message, contact, move)
            if self._watch is not None:
                self._watch(message, move.one)
        except Exception:  # what may have been handed over is not sent again and again
            log.exception("what came of message %d is not known", message.id)
            self._stuck.add(message.id)
            self._is_faulty = True
        finally:
            del self._tasks[message.id]

    async def _try(self, message: Message, contact: Contact) -> Move:
        outcome, is_final = TryOutcome.HANDED, False
        try:
            said = await self._send(message, contact)
        except NotHanded as error:
            outcome, said, is_final = error.outcome, error.said, error.is_final
        except Exception:  # as in the loop; it is tried again like any other failure
            log.exception("message %d failed", message.id)
            outcome, said = TryOutcome.FAILED, f"It could not be sent {FAULT}."
        at_ms, tries = self._now_ms(), message.tries + 1
        state, due_ms = Delivery.HANDED, at_ms
        if outcome is not TryOutcome.HANDED:
            state, due_ms = after(message, tries, at_ms, is_final=is_final)
        return Move(Try(message.id, tries, at_ms, outcome, said), state, due_ms)

    async def _send(self, message: Message, contact: Contact) -> str:
        now_ms = self._now_ms()
        if is_over(message, now_ms):
            raise NotHanded(_TOO_LATE, TryOutcome.FAILED, is_final=True)
        return await self._ways.send(
            await asyncio.to_thread(self._book.outgoing, message, contact, now_ms)
        )

    def _lane(self, contact: Contact) -> asyncio.Semaphore:
        host = urlsplit(contact.address).netloc if contact.way is Way.WEBHOOK else ""
        name = f"{contact.way.value} {host}"
        return self._lanes.setdefault(name, asyncio.Semaphore(_LANES[contact.way]))


def _tell(message: Message, contact: Contact, move: Move) -> None:
    one = move.one
    level = logging.INFO if one.outcome is TryOutcome.HANDED else logging.WARNING
    log.log(
        level,
        "message id=%d contact=%d way=%s kind=%s try=%d outcome=%s state=%s said=%s",
        message.id,
        contact.id,
        contact.way.value,
        message.kind.value,
        one.n,
        one.outcome.value,
        move.state.value,
        one.said,
    )

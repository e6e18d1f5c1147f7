"""Knows what people were told and what waits: stored before anything is sent, restored at a start.

While the disk refuses, what is due is told from memory: each message once in this run, without a
link to acknowledge, and stored with its tries as soon as that is possible again. Only a program
that is killed between handing over and storing, or before the disk is back, tells again after its
next start: better twice than never. Any thread may ask.
"""

import logging
from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from threading import RLock

from tallymast.domain.alarms.model import Alarms, AlarmState
from tallymast.domain.errors import StorageError
from tallymast.domain.telling.areas import Areas, areas_of
from tallymast.domain.telling.due import OVER_KEPT_MS, digest_cuts, due
from tallymast.domain.telling.history import History
from tallymast.domain.telling.model import (
    Contact,
    Delivery,
    Message,
    NewMessage,
    Try,
)
from tallymast.domain.telling.sending import LATE_MS, Outgoing
from tallymast.domain.telling.settings import Telling
from tallymast.domain.telling.trouble import unreached
from tallymast.domain.telling.words import LINK_PLACE, late_words, with_link
from tallymast.domain.zones import find_zone
from tallymast.routes.services import NetworkView
from tallymast.storage import ack_links, alarms, contacts, messages, telling_settings
from tallymast.storage.engine import Database
from tallymast.telling.items import Desk, written

log = logging.getLogger(__name__)

REREAD_MS = 3_600_000  # so often what was told is read anew, so that memory does not grow


@dataclass(frozen=True, slots=True)
class Move:
    """A try, and where its message is after it."""

    one: Try
    state: Delivery
    due_ms: int


@dataclass
class Unstored:
    """A message that could not be stored, with what became of it."""

    message: Message
    moves: list[Move] = field(default_factory=list)


class TellingBook:
    """What people were told, and what waits to be sent.

    Args:
        database: where it is kept.
        view: the network as it is now.

    """

    def __init__(self, database: Database, view: Callable[[], NetworkView]) -> None:
        self._database = database
        self._view = view
        self._lock = RLock()
        self._history = History()
        self._read_ms: int | None = None  # when what was told was read
        self._areas: tuple[NetworkView, Areas] | None = None
        self._contacts: dict[int, Contact] = {}
        self._waiting: dict[int, Message] = {}
        self._last: dict[int, Try] = {}  # by contact
        self._unstored: dict[int, Unstored] = {}
        self._moves: dict[int, list[Move]] = {}  # of stored messages, to be stored
        self._numbers = 0
        self._trouble = ""
        self.telling = Telling()

    def look(
        self, now: Alarms, now_ms: int, busy: Collection[int] = ()
    ) -> list[tuple[Message, Contact]]:
        """Write what is due and return what is to be tried now, the oldest first.

        Args:
            now: every alarm as it stands.
            now_ms: the instant, UTC milliseconds.
            busy: the numbers of the messages that are being sent.

        """
        with self._lock:
            try:
                self._store_later(now_ms, busy)
                self._read(now, now_ms)
            except StorageError as error:
                log.warning("telling reads and stores later: %s", error)
            if self._read_ms is None:
                return []  # not known yet what was told before
            self._write(now, now_ms)
            self._trouble = unreached(self._contacts, self._last)
            return self._ready(now_ms, busy)

    def outgoing(self, message: Message, contact: Contact, now_ms: int) -> Outgoing:
        """Return a message as it is sent, with a new link to acknowledge where it has one."""
        url = self._link(message, now_ms) if LINK_PLACE in message.body else ""
        body = with_link(message.body, url)
        if now_ms - message.made_ms >= LATE_MS:
            body = f"{late_words(message.made_ms, now_ms)}\n\n{body}"
        return Outgoing(message, contact, body, self._view().title, url, now_ms)

    def tried(self, message: Message, move: Move) -> None:
        """Keep what came of a try; what cannot be stored now is remembered and stored later."""
        with self._lock:
            self._last[message.contact_id] = move.one
            self._trouble = unreached(self._contacts, self._last)
            if move.state is not Delivery.WAITING:
                self._history = self._history.done(message.id)
            if message.id in self._unstored:
                kept = self._unstored[message.id]
                kept.moves.append(move)
                kept.message = _moved(kept.message, move)
                return
            try:
                with self._database.writing() as conn:
                    messages.tried(conn, move.one, move.state, move.due_ms)
            except StorageError as error:
                log.warning("a try of message %d is stored later: %s", message.id, error)
                self._moves.setdefault(message.id, []).append(move)
            if message.id in self._waiting:
                self._waiting[message.id] = _moved(self._waiting[message.id], move)

    def trouble(self) -> str:
        """Return in a sentence whom messages do not reach; empty: the newest reached everybody.

        Nobody who asks waits for the disk.
        """
        return self._trouble

    def keep_fault(self, said: str) -> bool:
        """Keep for other processes why telling is at fault; return whether that was stored.

        Args:
            said: a sentence; empty: it is not.

        """
        try:
            with self._database.reading() as conn:
                known = telling_settings.fault(conn)
            if said != known:
                with self._database.writing() as conn:
                    telling_settings.keep_fault(conn, said)
        except StorageError as error:
            log.warning("a fault of telling is kept later: %s", error)
            return False
        return True

    # --- inside; whoever calls holds the lock ----------------------------------------------------

    def _read(self, now: Alarms, now_ms: int) -> None:
        with self._database.reading() as conn:
            self._contacts = {one.id: one for one in contacts.in_use(conn)}
            self.telling = telling_settings.load(conn)
            self._waiting = {
                one.id: _moved(one, self._moves[one.id][-1]) if one.id in self._moves else one
                for one in messages.waiting(conn)
            }
            if self._read_ms is None or not 0 <= now_ms - self._read_ms < REREAD_MS:
                if self._unstored:
                    return  # what was told from memory must not be forgotten
                since_ms = _oldest(now, now_ms)
                acked = History(acked=messages.acks_since(conn, since_ms)).with_acks(now, now_ms)
                self._history = acked.with_messages(messages.told_since(conn, since_ms))
                self._last = messages.last_tries(conn)
                self._read_ms = now_ms

    def _write(self, now: Alarms, now_ms: int) -> None:
        view = self._view()
        self._history = self._history.with_acks(now, now_ms)
        cuts = digest_cuts(now_ms, self.telling.digest_hour, find_zone(view.time_zone))
        told = tuple(self._contacts.values())
        found = due(now, told, self._history, self._areas_of(view), now_ms, cuts)
        if not found:
            return
        desk = Desk(now, view, self._pages(), self.telling, now_ms)
        new = [written(one, desk) for one in found]
        made = self._keep(new, now_ms)
        self._history = self._history.with_messages(made)

    def _keep(self, new: list[NewMessage], now_ms: int) -> tuple[Message, ...]:
        try:
            with self._database.writing() as conn:
                made = messages.store(conn, new, now_ms)
        except StorageError as error:
            log.warning("messages are sent from memory and stored later: %s", error)
            made = tuple(self._unstorable(one, now_ms) for one in new)
            self._unstored |= {one.id: Unstored(one) for one in made}
        else:
            self._waiting |= {one.id: one for one in made}
        return made

    def _unstorable(self, one: NewMessage, now_ms: int) -> Message:
        self._numbers -= 1
        return _as_message(one, self._numbers, now_ms)

    def _store_later(self, now_ms: int, busy: Collection[int]) -> None:
        """Store what could not be stored when it happened."""
        kept = {key: one for key, one in self._unstored.items() if key not in busy}
        if not kept and not self._moves:
            return
        with self._database.writing() as conn:
            for move in (one for some in self._moves.values() for one in some):
                messages.tried(conn, move.one, move.state, move.due_ms)
            for one in kept.values():
                (stored,) = messages.store(conn, [one.message], now_ms)
                for move in one.moves:
                    tried = replace(move.one, message_id=stored.id)
                    messages.tried(conn, tried, move.state, move.due_ms)
        self._moves.clear()
        for key in kept:
            del self._unstored[key]
        if not self._unstored:
            self._read_ms = None  # with their numbers, all is read again

    def _ready(self, now_ms: int, busy: Collection[int]) -> list[tuple[Message, Contact]]:
        known = [*self._waiting.values(), *(one.message for one in self._unstored.values())]
        return [
            (one, self._contacts[one.contact_id])
            for one in known
            if one.state is Delivery.WAITING
            and one.due_ms <= now_ms
            and one.id not in busy
            and one.contact_id in self._contacts
        ]

    def _link(self, message: Message, now_ms: int) -> str:
        if message.id < 0 or not self.telling.public_url:
            return ""
        try:
            with self._database.writing() as conn:
                key = ack_links.make_ack_link(conn, message.id, now_ms)
        except StorageError as error:
            log.warning("message %d goes without a link: %s", message.id, error)
            return ""
        return f"{self.telling.public_url}{ack_links.PATH}/{key}"

    def _pages(self) -> dict[str, int]:
        try:
            with self._database.reading() as conn:
                return alarms.ids(conn)
        except StorageError:
            return {}

    def _areas_of(self, view: NetworkView) -> Areas:
        if self._areas is None or self._areas[0] is not view:
            self._areas = view, areas_of(view.network)
        return self._areas[1]


def _oldest(now: Alarms, now_ms: int) -> int:
    """Return since when what was told still counts."""
    raised = (
        one.raised_ms
        for one in now.standings.values()
        if one.state is not AlarmState.NORMAL and one.raised_ms is not None
    )
    return min((*raised, now_ms - OVER_KEPT_MS)) - 1


def _moved(message: Message, move: Move) -> Message:
    done_ms = None if move.state is Delivery.WAITING else move.one.at_ms
    return replace(message, state=move.state, tries=move.one.n, due_ms=move.due_ms, done_ms=done_ms)


def _as_message(one: NewMessage, number: int, now_ms: int) -> Message:
    return Message(
        one.contact_id,
        one.kind,
        one.priority,
        one.subject,
        one.body,
        one.alarms,
        one.made_ms,
        id=number,
        due_ms=now_ms,
    )

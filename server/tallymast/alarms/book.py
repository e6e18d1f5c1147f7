"""Knows every alarm of the network and how it stands: as stored, and what is ahead of that.

A keeper puts in what its looks made of alarms and has it stored; what was refused stays ahead and
is stored later, entry by entry. What others stored meanwhile (somebody acknowledged an alarm, here
or in another process) is read before anything is stored, and what is ahead is put on top of it: an
act is never overwritten. Any thread may ask.
"""

import logging
from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from operator import attrgetter
from threading import RLock

from sqlalchemy import Connection

from tallymast.alarms.looks import NEW
from tallymast.domain.alarms.model import Alarm, Alarms, Condition, Entry, Event, Standing, Step
from tallymast.domain.alarms.rationalised import Written, with_words
from tallymast.domain.alarms.table import next_state
from tallymast.domain.errors import StorageError
from tallymast.domain.model import Network
from tallymast.routes.services import NetworkView
from tallymast.storage import alarm_rows, alarms
from tallymast.storage.engine import Database

log = logging.getLogger(__name__)

# What is worth storing at once when it changes: all but the reading that was judged.
_news = attrgetter(*(one.name for one in fields(Standing) if one.name not in ("seen_ms", "value")))


class AlarmBook:
    """Every alarm with its standing.

    Args:
        database: where they are stored.
        view: the network as it is now.
        made: which alarms a network has.
        besides: alarms of what people entered besides the network, as permits.
        written: what people wrote of alarms in place of what is built in, by key.

    """

    def __init__(
        self,
        database: Database,
        view: Callable[[], NetworkView],
        made: Callable[[Network], tuple[Alarm, ...]],
        besides: Callable[[], tuple[Alarm, ...]] = tuple,
        written: Callable[[], Mapping[str, Written]] = dict,
    ) -> None:
        self._database = database
        self._view = view
        self._made = made
        self._besides = besides
        self._written = written
        self._lock = RLock()
        self._shown: NetworkView | None = None
        self._others: tuple[Alarm, ...] = ()
        self._words: Mapping[str, Written] = {}
        self._version: int | None = None  # of the database when it was read last
        self._seq = -1
        self._is_entered, self._is_storing = False, False
        self._stored: dict[str, Standing] = {}
        self._ahead: dict[str, Step] = {}  # to be stored
        self._read_later: dict[str, Standing] = {}  # only read anew since it was stored
        self._moves, self._told = 0, 0  # how often others changed anything
        self._now = Alarms()

    def now(self) -> Alarms:
        """Return all alarms as they stand now; while the database refuses, as they stood."""
        with self._lock:
            try:
                self.take_up()
            except StorageError as error:
                log.warning("alarms are shown as they were: %s", error)
            return self._now

    def has_moved(self) -> bool:
        """Return whether others, or the network, changed anything since this was asked last.

        Raises:
            StorageError: the database refused; what is known stays.

        """
        with self._lock:
            self.take_up()
            told, self._told = self._told, self._moves
            return told != self._moves

    def take_up(self) -> None:
        """Read what others stored, and follow the network.

        Raises:
            StorageError: the database refused; what is known stays.

        """
        with self._lock:
            self._follow()
            if self._is_storing:
                return
            version = self._database.data_version()
            if version != self._version:
                with self._database.reading() as conn:
                    self._read(conn)
                self._version = version

    def forget_conditions(self) -> None:
        """Take every condition for unknown and every wait for over: nobody looked for a while."""
        with self._lock:
            for key, one in self._stored.items():
                unknown = replace(one, condition=Condition.UNKNOWN, pending_ms=None, pending_n=0)
                if unknown != one:
                    self._ahead[key] = Step(unknown)
            self._show()

    def put(self, before: Alarms, steps: Mapping[str, Step]) -> bool:
        """Take what a look made of alarms; return whether that is news.

        Args:
            before: what the look was made from.
            steps: what changed; an alarm that somebody moved meanwhile keeps that.

        """
        with self._lock:
            was, changed, news = self._now.standings, dict[str, Standing](), False
            for key, step in steps.items():
                known = was.get(key, NEW)
                is_moved = known is not before.standings.get(key, NEW)
                told = rebased(self._now.alarms.get(key), known, step) if is_moved else step
                changed[key] = told.standing
                news = news or bool(told.entries) or _news(known) != _news(told.standing)
                self._keep(key, told)
            self._now = Alarms(self._now.alarms, {**was, **changed})
            return news

    def store(self, now_ms: int, also: Callable[[Connection], None] | None = None) -> bool:
        """Store what is ahead, all of it or nothing; return whether there was anything.

        Nobody who asks waits for the disk meanwhile. For one thread at a time.

        Args:
            now_ms: the instant, UTC milliseconds.
            also: writes something besides, in the same transaction.

        Raises:
            StorageError: the database refused; everything stays ahead.

        """
        with self._lock:
            if not (self._worth() or also or not self._is_entered):
                return False
            self._is_storing = True  # until it is certain, what is stored is not read
        try:
            with self._database.writing() as conn:
                steps, seq = self._write(conn, now_ms, values=also is not None)
                if also is not None:
                    also(conn)
        except StorageError:
            with self._lock:
                self._is_storing = False
                if not self._is_entered:  # what was entered is not there; all is read again
                    self._seq, self._version = -1, None
            raise
        with self._lock:
            self._is_storing, self._seq, self._is_entered = False, seq, True
            self._stored |= {key: step.standing for key, step in steps.items()}
            self._ahead = {key: one for key, one in self._ahead.items() if key not in steps}
            for key in steps:
                self._read_later.pop(key, None)
        return bool(steps)

    # --- inside; whoever calls holds the lock ------------------------------------------------

    def _follow(self) -> None:
        view, others, words = self._view(), self._besides(), self._written()
        if view is self._shown and others == self._others and words == self._words:
            return
        built = (*self._made(view.network), *others)
        made = {one.key: one for one in with_words(built, words)}
        self._shown, self._others, self._words = view, others, words
        if made != self._now.alarms:
            self._is_entered, self._version, self._seq = False, None, -1
            self._now = Alarms(made)
            self._read_later = {key: one for key, one in self._read_later.items() if key in made}
            self._show()
            self._moves += 1

    def _write(self, conn: Connection, now_ms: int, *, values: bool) -> tuple[dict[str, Step], int]:
        alarms.alone(conn)
        with self._lock:
            self._read(conn)
            if not self._is_entered:
                self._enter(conn, now_ms)
            steps = self._worth(values=values)
            return steps, alarms.keep(conn, steps, now_ms) if steps else self._seq

    def _enter(self, conn: Connection, now_ms: int) -> None:
        """Enter what is set up now; what happened to what is gone is told before it is retired."""
        gone = {key: one for key, one in self._ahead.items() if key not in self._now.alarms}
        told = {key: one for key, one in gone.items() if one.entries}
        if told:
            alarms.keep(conn, told, now_ms)
        self._ahead = {key: one for key, one in self._ahead.items() if key not in gone}
        if alarm_rows.enter(conn, self._now.alarms, now_ms) or told:
            self._seq = -1  # some may have another key now, some are retired
            self._read(conn)

    def _read(self, conn: Connection) -> None:
        """Read what was stored since; what is ahead of it is put on top of it."""
        newest, fresh = alarms.since(conn, self._seq)
        moved = {key: one for key, one in fresh.items() if self._stored.get(key) != one}
        if self._seq < 0:  # that is all there is
            self._stored = {key: one for key, one in self._stored.items() if key in fresh}
        self._seq = newest
        self._stored |= moved
        for key in moved:
            self._read_later.pop(key, None)
        for key in moved.keys() & self._ahead.keys():
            self._ahead[key] = rebased(self._now.alarms.get(key), moved[key], self._ahead[key])
        if moved:
            self._moves += 1
            self._show()

    def _keep(self, key: str, step: Step) -> None:
        """Remember what is ahead of the stored: for the next storing, or a mere new reading."""
        waiting = self._ahead.pop(key, None)
        entries = (*waiting.entries, *step.entries) if waiting else step.entries
        if entries or _news(self._stored.get(key, NEW)) != _news(step.standing):
            self._ahead[key] = Step(step.standing, entries)
            self._read_later.pop(key, None)
        else:
            self._read_later[key] = step.standing

    def _worth(self, *, values: bool = False) -> dict[str, Step]:
        """Return what is to be stored: not every reading, but whatever else changed.

        Args:
            values: also the newest values of active alarms, for whoever reads them elsewhere.

        """
        if not values:
            return dict(self._ahead)
        active = {key: Step(one) for key, one in self._read_later.items() if one.state.is_active}
        return {**active, **self._ahead}

    def _show(self) -> None:
        known, made = {**self._stored, **self._read_later}, self._now.alarms
        known |= {key: step.standing for key, step in self._ahead.items()}
        self._now = Alarms(made, {key: one for key, one in known.items() if key in made})


def rebased(alarm: Alarm | None, fresh: Standing, step: Step) -> Step:
    """Return what a look made of an alarm on top of what somebody did to it meanwhile.

    What happened is told again from the state as it is now, by the table; what a person decided
    (acknowledged, shelved, out of service) holds, unless it was raised anew after that.

    Args:
        alarm: as it is set up; None: it is no more.
        fresh: with what was done meanwhile.
        step: what the look made of it before that was known.

    """
    state, entries, raised = fresh.state, list[Entry](), False
    shelved_ms = fresh.shelved_until_ms
    for entry in step.entries:
        after = next_state(state, entry.event, latched=alarm is not None and alarm.latched)
        entries.append(replace(entry, before=state, after=after))
        state, raised = after, raised or entry.event is Event.RAISED
        if entry.event is Event.UNSHELVED and shelved_ms is not None and shelved_ms <= entry.at_ms:
            shelved_ms = None
    standing = replace(
        step.standing,
        state=state,
        acked_ms=None if raised else fresh.acked_ms,
        acked_by="" if raised else fresh.acked_by,
        shelved_until_ms=shelved_ms,
        shelved_by="" if shelved_ms is None else fresh.shelved_by,
        shelved_why="" if shelved_ms is None else fresh.shelved_why,
        out_of_service=fresh.out_of_service,
    )
    return Step(standing, tuple(entries))

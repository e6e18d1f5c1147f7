"""Keeps the page of alarms for all its tabs: the lists, rendered once a change, and their news.

The stream carries only that something is new. The lists themselves are fetched by the page
(``/alarms/now``), which puts them in place without moving what a person has in hand: in a
flood of hundreds a tab is told once, not hundreds of times.
"""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from threading import Lock
from typing import Annotated

from fastapi import Depends, Request
from fastapi.concurrency import run_in_threadpool
from markupsafe import Markup

from tallymast.domain.alarms.model import Alarms
from tallymast.routes.alarm_rows import AlarmView, view
from tallymast.routes.board import Board
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, prepare
from tallymast.routes.services import NetworkView, Services
from tallymast.routes.system import system_lines
from tallymast.storage import alarms as stored

TEMPLATES = ("alarms.html", "partials/alarms_now.html", "partials/alarm_looked.html")


class AlarmBoard:
    """The lists of alarms, and what tells a tab that they have changed."""

    def __init__(self, given: Services) -> None:
        self._given = given
        self._screens = Screens(given)
        prepare(TEMPLATES)
        self._news, self._lists = Board(), Board()
        self._turn = Lock()
        self._looked: tuple[Alarms, NetworkView, str] | None = None
        self._numbers: Mapping[str, int] = {}
        self._view: AlarmView | None = None

    def since(self, version: int) -> tuple[int, Markup]:
        """Return the newest version and the message that brings a tab there."""
        return self._news.since(version)

    async def catch_up(self) -> None:
        """Bring the lists up to the newest state."""
        await run_in_threadpool(self.shown)

    def shown(self) -> tuple[int, AlarmView]:
        """Bring the lists up to date; return the version, and what they show.

        One at a time: an older view must not be shown over a newer one.
        """
        with self._turn:
            found = self._look()
            lines = (system_lines(self._given), self._given.notice())
            context = dict(zip(("system", "notice"), lines, strict=True))
            self._news.put("system", lines, lambda: self._fragment("system", context))
            return self._news.version, found

    def kept(self, name: str) -> Markup:
        """Return a fragment as it was shown last, its ages as of now."""
        board = self._lists if name == "now" else self._news
        return board.shown(name, self._given.now_ms())

    def numbers(self, alarms: Alarms) -> Mapping[str, int]:
        """Return the number of every alarm that has one; they are never given anew."""
        if any(key not in self._numbers for key in alarms.alarms):
            with self._given.database.reading() as connection:
                self._numbers = stored.ids(connection)
        return self._numbers

    def keys(self, numbers: Iterable[int]) -> tuple[str, ...]:
        """Return which alarms these numbers name, in their order.

        Raises:
            Problem: 404, there is none of this number.

        """
        alarms = self._given.alarms()
        by_number = {number: key for key, number in self.numbers(alarms).items()}
        asked = tuple(dict.fromkeys(numbers))
        for number in asked:
            if number not in by_number:
                raise Problem(404, f"There is no alarm with the number {number}.")
        return tuple(by_number[number] for number in asked)

    def _look(self) -> AlarmView:
        given, clock = self._given, self._screens.clock()
        alarms, network = given.alarms(), given.network()
        today = clock.day(clock.now_ms)  # times of another day are written with their day
        looked = self._looked
        if self._view and looked and looked[0] is alarms and looked[1:] == (network, today):
            return self._view
        found = self._view = view(alarms, self.numbers(alarms), network)
        self._looked = (alarms, network, today)
        self._lists.put("now", (found, today), lambda: self._fragment("alarms_now", {"now": found}))
        unread = replace(found, watched=replace(found.watched, seen_ms=None))
        self._news.put("alarm-news", (unread, today), self._told)
        seen = {"watched": found.watched, "empty": not found.rows}
        model = (found.watched, not found.rows, today)
        self._news.put("alarm-looked", model, lambda: self._fragment("alarm_looked", seen))
        head = {"headline": found.headline}
        self._news.put("alarm-head", found.headline, lambda: self._fragment("alarm_head", head))
        return found

    def _told(self) -> Markup:
        mark = Markup('<p id="alarm-news" data-version="{}" hidden></p>')
        return mark.format(self._lists.version)

    def _fragment(self, name: str, context: Mapping[str, object]) -> Markup:
        more = {**context, "clock": self._screens.clock()}
        return self._screens.fragment(f"partials/{name}.html", more)


def alarm_board(request: Request) -> AlarmBoard:
    """Return the application's one board of alarms."""
    found = request.app.state.alarm_board
    assert isinstance(found, AlarmBoard)
    return found


TheAlarms = Annotated[AlarmBoard, Depends(alarm_board)]

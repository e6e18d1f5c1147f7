"""A stream ends with the right to see: looked for every two seconds, by any clock."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

from markupsafe import Markup
from tests.routes.conftest import World

from tallymast.routes.services import Services
from tallymast.routes.streams import LOOK_S, stream


class Nothing:
    """A source without news."""

    def since(self, version: int) -> tuple[int, Markup]:
        return version, Markup("")


class StillLive:
    """A live view whose followers never wait: time passes by the test's own clock."""

    def __init__(self, live: Any, clock: "Clock") -> None:
        self._live = live
        self._clock = clock

    def __getattr__(self, name: str) -> Any:
        return getattr(self._live, name)

    @asynccontextmanager
    async def follow(self) -> AsyncIterator[Any]:
        clock = self._clock

        class Follower:
            async def wait(self, timeout_s: float) -> bool:
                clock.now += timeout_s
                return False

        yield Follower()


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


async def heard(given: Services, clock: Clock, ends_at: float, limit: int = 50) -> list[str]:
    """The events of a stream whose person may see until ``ends_at``."""

    async def nothing() -> None:
        return None

    async def still() -> bool:
        return clock() < ends_at

    events = []
    async for event in stream(given, Nothing(), nothing, "", still, clock):
        events.append(event.event or "message")
        if len(events) >= limit:
            break
    return events


def given_of(world: World, clock: Clock) -> Services:
    return replace(world.services(), live=StillLive(world.live, clock))


def test_it_ends_when_the_session_does_and_says_so(world: World) -> None:
    clock = Clock()
    began = clock()
    events = asyncio.run(heard(given_of(world, clock), clock, ends_at=began + 33))
    assert events[-1] == "signed-out"
    assert began + 33 <= clock() <= began + 33 + LOOK_S
    assert events[:-1] == ["beat"] * 4  # one at once, then one every ten seconds


def test_it_goes_on_while_there_is_a_session(world: World) -> None:
    clock = Clock()
    events = asyncio.run(heard(given_of(world, clock), clock, ends_at=float("inf")))
    assert events == ["beat"] * 50

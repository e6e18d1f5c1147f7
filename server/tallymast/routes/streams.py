"""One server-sent stream a page: what changed since the version a tab has, then a beat.

A tab that connects names the version its page was rendered at (or, coming back, the last one
it heard), and is brought wholly up to date at once; a version of another run of the server
means nothing here and brings everything.
"""

import math
from collections.abc import AsyncIterator, Awaitable, Callable
from time import monotonic
from typing import Protocol

from fastapi.sse import ServerSentEvent
from markupsafe import Markup

from tallymast.routes.screens import Screens
from tallymast.routes.services import Services

BEAT_S = 10.0  # a browser that hears nothing for 25 s says that it is not live
LOOK_S = 2.0  # how soon a stream ends whose session has ended


class Source(Protocol):
    """What a page's stream is fed from."""

    def since(self, version: int) -> tuple[int, Markup]:
        """Return the newest version and the message that brings a tab there."""


def version_word(given: Services, version: int) -> str:
    """Return how a version is named to a tab: run, revision of the network, number."""
    return f"{given.started_ms}.{given.network().revision_id}.{version}"


def known_version(given: Services, word: str) -> int:
    """Return the number a tab's version has here, -1 where it is of another run or unreadable."""
    prefix, _, number = word.rpartition(".")
    ours, _, _ = version_word(given, 0).rpartition(".")
    return int(number) if prefix == ours and number.isdigit() else -1


async def stream(
    given: Services,
    source: Source,
    catch_up: Callable[[], Awaitable[None]],
    word: str,
    still: Callable[[], Awaitable[bool]],
    clock: Callable[[], float] = monotonic,
) -> AsyncIterator[ServerSentEvent]:
    """Yield what a tab needs to stay current, until it goes away or may see no more.

    Args:
        given: what the application was created with.
        source: the page's fragments.
        catch_up: brings the fragments up to the newest state.
        word: the version the tab has.
        still: whether who opened the stream may still see.
        clock: tells the time between two looks at that [s].

    """
    revision = given.network().revision_id
    have = known_version(given, word)
    looked, spoken = clock(), -math.inf
    async with given.live.follow() as follower:
        while True:
            if clock() - looked >= LOOK_S:
                looked = clock()
                if not await still():
                    yield ServerSentEvent(raw_data="-", event="signed-out")
                    return
            if given.network().revision_id != revision:
                yield ServerSentEvent(raw_data="-", event="anew")
            await catch_up()
            have, html = source.since(have)
            if html:
                yield ServerSentEvent(raw_data=str(html), id=version_word(given, have))
            if html or clock() - spoken >= BEAT_S:
                yield _beat(given)
                spoken = clock()
            await follower.wait(LOOK_S)


def _beat(given: Services) -> ServerSentEvent:
    clock = Screens(given).clock()
    return ServerSentEvent(raw_data=f"{clock.now_ms} {clock.words(clock.now_ms)}", event="beat")
